from __future__ import annotations

import pytest

from stemprep.checks.dual_mono import DualMonoRule
from tests.checks.factory import found_in, measured_file, silence, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(DualMonoRule, max_difference_dbfs=-90.0)


@pytest.mark.parametrize(("difference_dbfs", "is_found"), [(-90.0, True), (-89.9, False)])
def test_both_sides_of_the_limit(difference_dbfs: float, is_found: bool) -> None:
    heard = sound(channels=2, difference_peak_dbfs=difference_dbfs)
    assert bool(found_in(measured_file(heard=heard), "dual-mono", RULE)) is is_found


def test_identical_sides_can_be_folded() -> None:
    file = measured_file(heard=sound(channels=2, is_identical=True))
    (finding,) = found_in(file, "dual-mono", RULE)
    assert (finding.repair, finding.found) == ("fold-mono", None)


def test_silence_and_mono_are_not_judged() -> None:
    assert not found_in(measured_file(heard=silence(channels=2)), "dual-mono", RULE)
    assert not found_in(measured_file(), "dual-mono", RULE)


def test_a_stem_is_not_sent_to_be_folded() -> None:
    """Folding one stem would change what the stems add up to."""
    file = measured_file(heard=sound(channels=2, is_identical=True), role="stem")
    (finding,) = found_in(file, "dual-mono", RULE)
    assert "fold" not in finding.advice
    assert "sum holds" in finding.advice
