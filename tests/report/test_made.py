"""What was made for a package, as its delivery note tells it."""

from __future__ import annotations

import dataclasses

from stemprep.model.plan import Companion, Plan
from stemprep.report import render_plan
from stemprep.report.layout import Page
from stemprep.report.made import made_words, put_beside

EMPTY = Plan(outputs=(), documents=(), left_out=(), repairs=())
MADE = (
    Companion(kind="listening-copies", path="copies/a.mp3", song="", words="copy a"),
    Companion(kind="listening-copies", path="copies/b.mp3", song="", words="copy b"),
    Companion(kind="returns", path="returns/files.csv", song="", words="to fill in"),
    Companion(kind="tempo-map", path="map.mid", song="", words="tempo"),
    Companion(kind="track-sheet", path="sheet.csv", song="", words="a table"),
    Companion(kind="track-sheet", path="sheet.html", song="", words="a page"),
)


def _told(plan: Plan | None) -> str:
    page = Page()
    put_beside(page, plan, ())
    return page.text()


def test_what_is_read_first_stands_first_and_copies_are_told_once() -> None:
    lines = _told(dataclasses.replace(EMPTY, companions=MADE)).splitlines()
    assert [line.strip() for line in lines] == [
        "Beside the files",
        "sheet.html",
        "a page",
        "sheet.csv",
        "a table",
        "returns/files.csv",
        "to fill in",
        "map.mid",
        "tempo",
        "copies/",
        "2 MP3s for listening only: coding shifts them by some samples, so do not",
        "import them. Turn the level down before you listen, above all on headphones.",
    ]


def test_nothing_is_told_where_nothing_was_made() -> None:
    assert _told(EMPTY).strip() == _told(None).strip() == ""
    assert made_words(None) == {}


def test_a_plan_cautions_once_for_all_coded_copies() -> None:
    told = " ".join(render_plan(dataclasses.replace(EMPTY, companions=MADE)).split())
    assert "copies/a.mp3" in told
    assert "copies/b.mp3" in told
    assert told.count("Turn the level down before you listen, above all on headphones.") == 1
    assert "Turn the level down" not in render_plan(EMPTY)
