from __future__ import annotations

from stemprep.model.rule import Rule
from tests.checks.factory import fault, found_in, measured_file


def test_a_fault_of_this_check_is_told_with_its_place_and_cure() -> None:
    damage = fault("truncated", severity="warn", start_sample=100, repair="rewrap")
    (finding,) = found_in(measured_file(faults=(damage,)), "truncated", Rule(severity="fail"))
    assert finding.severity == "warn"
    assert (finding.start_sample, finding.repair) == (100, "rewrap")
    assert finding.found == "what was found"


def test_the_spec_lowers_a_fault() -> None:
    (finding,) = found_in(
        measured_file(faults=(fault("truncated"),)), "truncated", Rule(severity="note")
    )
    assert finding.severity == "note"


def test_faults_of_other_checks_are_not_told_here() -> None:
    assert not found_in(
        measured_file(faults=(fault("checksum"),)), "truncated", Rule(severity="warn")
    )
