"""Text: first three lines, one cause told once, waivers, width, escaping."""

from __future__ import annotations

import dataclasses
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest

from stemprep.checks import CHECKS
from stemprep.model.report import Report
from stemprep.report import render_html, render_text
from stemprep.report.causes import causes, standing
from stemprep.report.layout import columns
from tests.report import factory

GOLDEN = Path(__file__).parents[2] / "fixtures" / "report"
REPORTS = [factory.small, factory.three_songs, factory.hostile, factory.delivered]


@pytest.mark.parametrize("make", REPORTS)
@pytest.mark.parametrize("width", [40, 60, 80, 132])
def test_no_line_is_wider_than_the_terminal(make: Callable[[], Report], width: int) -> None:
    for line in render_text(make(), width=width).splitlines():
        assert columns(line) <= width, line


@pytest.mark.parametrize("make", REPORTS)
def test_nothing_hidden_reaches_the_terminal(make: Callable[[], Report]) -> None:
    text = render_text(make())
    assert not {unicodedata.category(char) for char in text.replace("\n", "")} & {"Cc", "Cf", "Cs"}


def test_first_three_lines_tell_verdict_work_and_package() -> None:
    lines = render_text(factory.three_songs()).splitlines()
    assert lines[0] == "Verdict   fail, 3 waived"
    assert lines[1] == "To do     Put right unreadable, clipping and mixed-formats (4 files)."
    assert lines[2].startswith("Package   none; a check makes none")
    lines = render_text(factory.delivered()).splitlines()
    assert lines[0] == "Verdict   warn, 1 repaired, 1 waived"
    assert lines[1] == "To do     Look at true-peak (1 file); nothing has to be fixed."
    assert lines[2] == "Package   /deliveries/Lanternfish_D02"


def test_a_package_that_lay_there_is_told_where_it_is_named() -> None:
    again = dataclasses.replace(factory.delivered(), is_package_known=True)
    lines = render_text(again).splitlines()
    assert lines[2].startswith("Package   /deliveries/Lanternfish_D02 (already delivered")


def test_what_deliver_cures_is_told_instead_of_advice() -> None:
    odd = factory.finding("mixed-formats", "fail", "A.wav", repair="convert-rate")
    other = factory.finding("mixed-formats", "fail", "B.wav", repair="convert-rate")
    files = [factory.measured_file(path) for path in ("A.wav", "B.wav")]
    all_cured = factory.report(files, [odd, other], verdict="fail", cured=(odd, other))
    text = render_text(all_cured)
    assert (
        text.splitlines()[1] == "To do     Nothing by hand: deliver cures mixed-formats (2 files)."
    )
    assert "-> Deliver cures this in its copy: converted to another sample rate." in text
    assert "Do something about it." not in text
    one = render_text(dataclasses.replace(all_cured, cured=(odd,)))
    assert "Deliver cures this" in one
    assert one.splitlines()[1] == "To do     Do something about it."


def test_what_would_stop_a_delivery_is_told_by_a_check() -> None:
    over = factory.finding("sample-peak", "fail", "A.wav", advice="Order a gain of -7.3 dB.")
    told = factory.report([factory.measured_file("A.wav")], blockers=(over,))
    text = render_text(told)
    assert text.splitlines()[1] == "To do     Look at sample-peak (1 file); a delivery would stop."
    warned = factory.finding("dc-offset", "warn", "A.wav")
    both = render_text(dataclasses.replace(told, findings=(warned,), verdict="warn"))
    assert "Look at sample-peak and dc-offset (1 file); a delivery would stop." in both
    assert "Would stop a delivery under the spec mastering" in text
    assert "-> Order a gain of -7.3 dB." in text
    assert "Would stop a delivery" in render_html(told)


@pytest.mark.parametrize("count", [1, 2, 3, 5, 12])
@pytest.mark.parametrize("severity", ["fail", "warn"])
def test_what_to_do_stays_on_one_line(count: int, severity: str) -> None:
    paths = [f"Track {number}.wav" for number in range(12)]
    longest = sorted(CHECKS, key=len, reverse=True)
    found = [
        factory.finding(longest[n], severity, paths[n], advice="Do it. " * 20) for n in range(count)
    ]
    files = [factory.measured_file(path) for path in paths]
    lines = render_text(factory.report(files, found, verdict=severity)).splitlines()
    assert lines[1].startswith("To do ")
    assert lines[2].startswith("Package ")


def test_clean_drop_has_nothing_to_do() -> None:
    lines = render_text(factory.report([factory.measured_file("A.wav")])).splitlines()
    assert lines[:3] == [
        "Verdict   pass",
        "To do     Nothing.",
        "Package   none; a check makes none",
    ]


def test_single_fail_gives_its_advice_at_once() -> None:
    found = factory.finding("unreadable", "fail", "A.wav", advice="Export the file again.")
    report = factory.report([factory.measured_file("A.wav")], [found], verdict="fail")
    assert render_text(report).splitlines()[1] == "To do     Export the file again."


def test_one_cause_is_told_once_with_its_files() -> None:
    text = render_text(factory.three_songs())
    assert text.count("Lower the mix by 1 dB before it is printed") == 1
    assert "true-peak, 3 files" in text
    assert text.index("unreadable, 1 file") < text.index("true-peak, 3 files")


def test_same_check_with_other_advice_is_another_cause() -> None:
    first = factory.finding("header", "warn", "A.wav", advice="Do this.")
    second = factory.finding("header", "warn", "B.wav", advice="Do that.")
    third = factory.finding("header", "fail", "C.wav", advice="Do this.")
    found = causes([first, second, third])
    assert [cause.files for cause in found] == [("C.wav",), ("A.wav",), ("B.wav",)]


def test_long_lists_end_in_a_count() -> None:
    paths = [f"Track {number:02d}.wav" for number in range(20)]
    found = [factory.clipping(path, 2, 9) for path in paths]
    report = factory.report([factory.measured_file(path) for path in paths], found, verdict="fail")
    text = render_text(report)
    assert "and 12 more: see the JSON report" in text
    assert text.count("    - Track ") == 8


def test_places_are_told_with_time_channel_and_count() -> None:
    assert "worst at 0:14.583 left, 0:43.750 right, 1:12.917 left and 9 more places" in render_text(
        factory.three_songs()
    )


def test_bar_is_told_where_it_is_known() -> None:
    found = factory.clipping("A.wav", 2, 5, start_bar="12.3")
    report = factory.report([factory.measured_file("A.wav")], [found], verdict="fail")
    assert "(the first in bar 12, beat 3)" in " ".join(render_text(report).split())


def test_waived_are_listed_with_reason_and_initials_and_counted_nowhere_else() -> None:
    report = factory.three_songs()
    text = render_text(report)
    for finding in report.waived:
        assert f"waived by {finding.waived_by}: {finding.waiver_reason}" in " ".join(text.split())
    assert not [each for each in standing(report) if each.waived_by]
    assert "Export again lower." not in text


def test_repaired_is_shown_as_repaired_and_not_as_a_fail() -> None:
    text = render_text(factory.delivered())
    assert "Must be put right" not in text
    assert "sample-rate, 1 file: repaired by convert-rate" in text


def test_notes_are_counted_and_short() -> None:
    text = render_text(factory.three_songs())
    assert "Good to know (note): 12 notes" in text
    assert "tail-silence, 11 files: 3.0 s under -70 dBFS at the end." in text


def test_no_grades_or_pictures() -> None:
    """The owner's rule: no traffic lights, grades or scores, no emoji; plain ASCII of our own."""
    text = render_text(factory.three_songs())
    assert text.isascii()
    assert not re.search(r"\b(score|grade|rating|red|green|amber)\b", text)


def test_colour_changes_no_word() -> None:
    report = factory.three_songs()
    coloured = render_text(report, is_color=True)
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[\d+m", "", coloured) == render_text(report)
    assert set(re.findall(r"\x1b\[\d+m", coloured)) == {"\x1b[1m", "\x1b[0m"}


def test_golden_text() -> None:
    expected = (GOLDEN / "small.txt").read_text(encoding="utf-8")
    assert render_text(factory.small()) == expected
