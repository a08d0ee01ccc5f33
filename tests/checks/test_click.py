from __future__ import annotations

import pytest

from stemprep.checks.click import ClickRule
from stemprep.model.facts import ClickFacts, TransientFacts
from stemprep.model.finding import Finding
from stemprep.model.sheet import TrackNote
from tests.checks.factory import found_in, measured_file, sound, with_transients
from tests.shipped import shipped_rule

RULE = shipped_rule(ClickRule)


def click(
    height_db: float, sigmas: float, length: int = 1, start: int = 48_000, recurrences: int = 0
) -> ClickFacts:
    return ClickFacts(
        channel=1,
        start=start,
        end=start + length,
        height_db=height_db,
        sigmas=sigmas,
        recurrences=recurrences,
    )


def told(
    *clicks: ClickFacts, rule: ClickRule = RULE, note: TrackNote | None = None
) -> list[Finding]:
    facts = TransientFacts(clicks=clicks, click_count=len(clicks))
    file = measured_file(heard=with_transients(sound(), facts), note=note)
    return found_in(file, "click", rule)


@pytest.mark.parametrize(("height_db", "sigmas", "length", "is_found"), [
    (5.5, 10, 1, True), (5.4, 10, 1, False),
    (0.0, 150, 8, True), (0.0, 149, 8, False), (3.0, 149, 8, False),
    (-6.0, 300, 8, True), (-6.1, 900, 8, False), (-6.0, 299, 8, False), (-3.0, 212, 8, True),
    (8.0, 12, 9, True), (7.9, 12, 9, False), (8.0, 11.9, 9, False),
    (4.0, 400, 9, True), (4.0, 399, 9, False), (7.9, 399, 9, False), (3.9, 900, 9, False),
])  # fmt: skip
def test_both_sides_of_the_limits(
    height_db: float, sigmas: float, length: int, is_found: bool
) -> None:
    assert bool(told(click(height_db, sigmas, length))) is is_found


@pytest.mark.parametrize(("others", "is_found"), [(2, True), (3, False)])
def test_the_highest_of_many_alike_is_the_sound(others: int, is_found: bool) -> None:
    rest = [click(1.0, 12, start=1_000 * i) for i in range(others)]
    assert bool(told(click(6.0, 20), *rest)) is is_found


def test_a_certain_click_stands_among_faint_ones() -> None:
    rest = [click(1.0, 12, start=1_000 * i) for i in range(50)]
    (finding,) = told(click(6.0, 2_000), *rest)
    assert finding.found == 6.0


def test_the_highest_is_told_first() -> None:
    (finding,) = told(click(7, 900, start=10), click(12, 300, start=96_000), click(6, 200))
    assert finding.message.startswith("3 clicks, the highest at 0:02.000, 12.0 dB above")
    assert "at 0:02.000" in finding.message
    assert finding.occurrences is not None
    assert [p.start_sample for p in finding.occurrences.worst] == [96_000, 10, 48_000]
    assert (finding.found, finding.required, finding.unit) == (12.0, -6.0, "dB")


@pytest.mark.parametrize(("others", "severity"), [(1, "warn"), (2, "note"), (9, "note")])
def test_clicks_that_come_back_with_their_sound(others: int, severity: str) -> None:
    rule = shipped_rule(ClickRule, min_recurrences=2)
    (finding,) = told(*[click(9, 900, start=48_000 * i, recurrences=others) for i in range(10)],
                      rule=rule)  # fmt: skip
    assert finding.severity == severity
    assert ("comes back with the sound" in finding.message) is (severity == "note")
    assert finding.occurrences is not None
    assert finding.occurrences.count == 10


def test_an_accident_among_clicks_that_come_back() -> None:
    usual = [click(9, 900, start=48_000 * i, recurrences=9) for i in range(10)]
    (finding,) = told(*usual, click(6, 900, start=7))
    assert finding.severity == "warn"
    assert (finding.start_sample, finding.found) == (7, 6.0)
    assert finding.occurrences is not None
    assert finding.occurrences.count == 1


def test_clicks_that_come_back_can_be_off() -> None:
    rule = shipped_rule(ClickRule, recurring_severity="off")
    assert (
        told(click(9, 900, recurrences=1), click(9, 900, start=5, recurrences=1), rule=rule) == []
    )


def test_intended_and_off() -> None:
    (finding,) = told(click(9, 900), note=TrackNote(pattern="*", intended=("crackle",)))
    assert finding.severity == "note"
    assert told(click(9, 900), rule=shipped_rule(ClickRule, severity="off")) == []
