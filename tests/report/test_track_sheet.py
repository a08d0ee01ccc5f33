"""Track sheet and return page: whatever a name holds, text stays text."""

from __future__ import annotations

import csv
import io
from html.parser import HTMLParser

import pytest

from stemprep.model.plan import StartReference
from stemprep.report import (
    ReturnPage,
    SongToReturn,
    TrackRow,
    TrackSheet,
    returns_csv,
    returns_html,
    track_sheet_csv,
    track_sheet_html,
)
from stemprep.report.start_words import start_rows, start_sentence
from tests.report.factory import HOSTILE_NAMES

START = StartReference(
    rate_hz=48_000,
    bar_1_samples=96_000,
    start_samples=172_800_000,
    start_bar="0.1",
    is_on_bar_line=True,
    start_timecode="01:00:00:00",
    bar_1_timecode="01:00:02:00",
    frame_rate="25",
)


class Tags(HTMLParser):
    """Names of all tags and attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}


def _sheet(*names: str) -> TrackSheet:
    rows = tuple(
        TrackRow(
            number=f"{number:02d}",
            name=name,
            file=f"tracks/{name}",
            role="track",
            source=name,
            microphone=name,
            notes=name,
            in_mix=name,
        )
        for number, name in enumerate(names, start=1)
    )
    return TrackSheet(
        title=names[0],
        artist=names[0],
        package=names[0],
        contact=names[0],
        start=START,
        settings=(("Tempo", names[0]),),
        play_to=tuple((name, name) for name in names),
        rows=rows,
        notes=names,
        mixes=names[0],
        returns="returns/what-to-send-back.html",
    )


def _page(name: str) -> ReturnPage:
    songs = (SongToReturn(title=name, form=name, start=START, click=name),)
    return ReturnPage(title=name, package=name, contact=name, songs=songs, sheet=name)


@pytest.mark.parametrize(("click", "what"), [("click.wav", "Play the click"), ("", "a kick drum")])
def test_a_room_can_find_its_offset_with_a_click_and_without(click: str, what: str) -> None:
    songs = (SongToReturn(title="A", form="WAV", start=START, click=click),)
    page = ReturnPage(title="A", package="P", contact="C", songs=songs, sheet="s.csv")
    told = returns_html(page)
    assert what in told
    assert told.count("Measure your delay once.") == 1
    assert told.count("take down monitors and headphones first") == 1


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_no_name_becomes_markup(name: str) -> None:
    harmless, harmless_page = _sheet("Vox.wav"), _page("Vox.wav")
    for plain, hostile in (
        (track_sheet_html(harmless), track_sheet_html(_sheet(name))),
        (returns_html(harmless_page), returns_html(_page(name))),
    ):
        assert Tags(hostile).tags == Tags(plain).tags
        assert Tags(hostile).attributes == Tags(plain).attributes
        assert "\u202e" not in hostile
        hostile.encode("utf-8")


@pytest.mark.parametrize("name", [*HOSTILE_NAMES, "=1+1", "@x", "-x", "\t=x"])
def test_no_name_becomes_a_formula_or_another_row(name: str) -> None:
    text = track_sheet_csv(_sheet(name))
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len(rows) == 2
    assert len(rows[1]) == len(rows[0])
    assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\n")) for cell in rows[1])
    text.encode("utf-8")


def test_the_sheet_to_fill_in_is_a_heading() -> None:
    (heading,) = list(csv.reader(io.StringIO(returns_csv(), newline="")))
    assert {"file", "kept_or_alternate", "dry_or_effect", "same_start"} <= set(heading)


def test_start_in_every_way_of_counting() -> None:
    first, bar_1 = start_rows(START)
    assert first.bar == "1 bar before bar 1 (bar 0)"
    assert first.timecode == "01:00:00:00"
    assert first.timeline == "172,800,000 (01:00:00.000)"
    assert bar_1.in_file == "96,000 (0:02.000)"
    assert bar_1.timeline == "172,896,000 (01:00:02.000)"
    assert bar_1.timecode == "01:00:02:00"


@pytest.mark.parametrize(
    ("start", "told"),
    [
        (START, "lies 96,000 samples (0:02.000) after the first sample of every file."),
        (StartReference(rate_hz=48_000, bar_1_samples=0), "is the first sample of every file."),
        (StartReference(rate_hz=48_000, bar_1_samples=-480), "480 samples (0:00.010) before the"),
        (StartReference(rate_hz=48_000, unknown="nobody said"), "not known: nobody said."),
        (None, "Where bar 1 lies is not known."),
    ],
)
def test_one_sentence_says_where_bar_1_is(start: StartReference | None, told: str) -> None:
    assert told in start_sentence(start)


def test_a_start_inside_a_bar_is_told_as_one() -> None:
    start = StartReference(rate_hz=48_000, bar_1_samples=10, start_bar="0.3")
    assert start_rows(start)[0].bar == "in bar 0, after beat 3"
    assert start_rows(None) == ()
