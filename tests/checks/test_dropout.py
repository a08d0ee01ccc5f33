from __future__ import annotations

import pytest

from stemprep.checks.dropout import DropoutRule
from stemprep.model.facts import Runs, TransientFacts
from stemprep.model.finding import Finding
from stemprep.model.sheet import TrackNote
from tests.checks.factory import found_in, measured_file, runs, sound, with_transients
from tests.shipped import shipped_rule

RULE = shipped_rule(DropoutRule, severity="warn", max_hole_samples=4_800)


def told(rule: DropoutRule = RULE, note: TrackNote | None = None, **kinds: Runs) -> list[Finding]:
    heard = with_transients(sound(channels=2), TransientFacts(**kinds))
    return found_in(measured_file(heard=heard, note=note), "dropout", rule)


@pytest.mark.parametrize(("length", "severity"), [(64, "warn"), (4_800, "warn"), (4_801, "note")])
def test_both_sides_of_the_longest_hole(length: int, severity: str) -> None:
    (finding,) = told(holes=runs((2, 48_000, 48_000 + length)))
    assert (finding.severity, finding.found, finding.channel) == (severity, 1, 2)
    assert "right at 0:01.000" in finding.message


def test_nothing_found_nothing_told() -> None:
    assert told() == []
    assert told(shipped_rule(DropoutRule, severity="off"), holes=runs((1, 100, 200))) == []
    assert told(shipped_rule(DropoutRule, long_severity="off"), holes=runs((1, 0, 9_000))) == []


def test_the_worst_kind_gives_places_and_all_are_named() -> None:
    (finding,) = told(
        holes=runs((1, 500, 700), (1, 9_000, 20_000)),
        repeats=runs((2, 1_000, 1_512)),
        regular_holes=runs((1, 0, 100)),
    )
    assert finding.severity == "warn"
    assert finding.occurrences is not None
    assert finding.occurrences.count == 2
    assert [place.start_sample for place in finding.occurrences.worst] == [1_000, 500]
    for words in ("1 hole", "1 repeated buffer", "1 evenly spaced hole", "1 longer gap"):
        assert words in finding.message


def test_evenly_spaced_holes_are_a_note() -> None:
    (finding,) = told(regular_holes=runs((1, 0, 100), (1, 1_000, 1_100)))
    assert finding.severity == "note"


@pytest.mark.parametrize("word", ["stutter", " Gated "])
def test_intended_is_a_note(word: str) -> None:
    (finding,) = told(holes=runs((1, 0, 100)), note=TrackNote(pattern="*", intended=(word,)))
    assert finding.severity == "note"
