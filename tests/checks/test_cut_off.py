from __future__ import annotations

import pytest

from stemprep.checks.cut_off import CutOffRule
from stemprep.model.facts import EdgeFacts, TransientFacts
from stemprep.model.finding import Finding
from stemprep.model.sheet import TrackNote
from tests.checks.factory import found_in, measured_file, sound, with_transients
from tests.shipped import shipped_rule

RULE = shipped_rule(CutOffRule, severity="warn", max_below_rms_db=6.0, min_duration_s=1.0)
CUT = EdgeFacts(level_dbfs=-20.0, is_abrupt=True)


def told(
    head: EdgeFacts | None = None,
    tail: EdgeFacts | None = None,
    frames: int = 480_000,
    note: TrackNote | None = None,
) -> list[Finding]:
    facts = TransientFacts(head=head or EdgeFacts(), tail=tail or EdgeFacts())
    heard = with_transients(sound(frames=frames, peaks_dbfs=(-6.0,)), facts)
    return found_in(measured_file(heard=heard, note=note), "cut-off", RULE)


@pytest.mark.parametrize(("level_dbfs", "is_found"), [(-24.0, True), (-24.1, False)])
def test_both_sides_of_the_limit(level_dbfs: float, is_found: bool) -> None:
    """The factory's sound has an RMS of -18 dBFS; 6 dB below is -24."""
    edge = EdgeFacts(level_dbfs=level_dbfs, is_abrupt=True)
    assert bool(told(head=edge)) is is_found
    assert bool(told(tail=edge)) is is_found


def test_an_edge_that_comes_from_zero_is_none() -> None:
    assert told(head=EdgeFacts(level_dbfs=-10.0, is_abrupt=False)) == []


@pytest.mark.parametrize(("frames", "is_found"), [(47_999, False), (48_000, True)])
def test_one_shots_are_not_judged(frames: int, is_found: bool) -> None:
    assert bool(told(tail=CUT, frames=frames)) is is_found


def test_both_ends_in_one_finding() -> None:
    (finding,) = told(head=CUT, tail=EdgeFacts(level_dbfs=-15.0, is_abrupt=True))
    assert finding.message.startswith(
        "starts in mid-sound and stops while still sounding (starts at -20.0 dBFS and ends at -15.0"
    )
    assert (finding.start_sample, finding.end_sample) == (0, 480_000)
    assert (finding.found, finding.required, finding.unit) == (-15.0, -24.0, "dBFS")


def test_intended_is_a_note() -> None:
    (finding,) = told(tail=CUT, note=TrackNote(pattern="*", intended=("loop",)))
    assert finding.severity == "note"
