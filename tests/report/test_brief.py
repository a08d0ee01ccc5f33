"""One screen of a terminal, whatever was found; what to ask for again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.model.finding import Occurrence, Occurrences
from stemprep.model.since import Since
from stemprep.report import render_asking, render_brief, render_text
from stemprep.report.layout import columns
from tests.report import factory

MANY = tuple(
    factory.finding(check, "warn", f"{check} {'x' * 90}.wav", message="m " * 200, advice="a " * 99)
    for check in ("click", "dropout", "clipping", "hum", "dc-offset", "name", "header", "null-test")
)


def crowded() -> object:
    files = [factory.measured_file(finding.file or "") for finding in MANY]
    return factory.report(files, MANY, verdict="warn", notes=("a remark",) * 30)


@pytest.mark.parametrize(
    "make", [factory.small, factory.three_songs, factory.hostile, factory.delivered, crowded]
)
@pytest.mark.parametrize("width", [40, 80, 200])
def test_it_fits_one_screen(make: object, width: int) -> None:
    """24 lines by 80 columns, as terminals open; the prompt takes the last (common practice)."""
    lines = render_brief(make(), width=width).splitlines()  # type: ignore[operator]
    assert len(lines) <= 23
    assert max(map(columns, lines)) <= width


def test_it_says_verdict_worst_counts_and_where_the_rest_is() -> None:
    text = render_brief(crowded())  # type: ignore[arg-type]
    lines = text.splitlines()
    assert lines[0] == "Verdict   warn"
    assert lines[1].startswith("8 files need a look: 1 ")
    assert sum(line.startswith("warn  ") for line in lines) == 5
    assert "Also 3 more to look at and 30 remarks. All of it: --all" in text


def test_it_names_file_and_time() -> None:
    spot = Occurrence(channel=1, start_sample=17 * factory.RATE_HZ, end_sample=17 * 48_000 + 2)
    found = factory.finding(
        "click", "warn", "Voice.wav", occurrences=Occurrences(count=3, worst=(spot,))
    )
    report = factory.report([factory.measured_file("Voice.wav")], [found], verdict="warn")
    assert "warn  Click: Voice.wav at 0:17.000 and 2 more places\n" in render_brief(report)


def test_what_changed_since_an_earlier_report_is_told() -> None:
    told = Since(
        name="old.json",
        fixed=(("click", "A.wav"),),
        still=(),
        new=(("hum", "B.wav"), ("null-test", "")),
    )
    report = replace(factory.small(), since=told)
    assert "Since old.json: 1 fixed, 0 still there, 2 new.\n" in render_brief(report)
    assert "new   null-test, the whole set" in render_text(report)


def test_asking_names_each_file_once_with_all_that_is_wrong_with_it() -> None:
    found = [
        factory.finding("click", "warn", "A.wav", message="Click.", advice="Redraw it."),
        factory.finding("dc-offset", "warn", "A.wav", message="DC.", advice="Filter it."),
        factory.finding("hum", "note", "B.wav"),
        factory.finding("header", "fail", "C.wav", repair="rewrap"),
    ]
    files = [factory.measured_file(f"{name}.wav") for name in "ABC"]
    report = factory.report(files, found, verdict="fail", cured=(found[3],))
    text = render_asking(report)
    assert text.count("A.wav") == 1
    assert "Redraw it." in text
    assert "Filter it." in text
    assert "B.wav" not in text  # a note asks for nothing
    assert "C.wav" not in text  # deliver repairs it
    assert render_asking(factory.report(files)) == "Nothing has to be exported again.\n"
