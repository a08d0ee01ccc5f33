from __future__ import annotations

from stemprep.model.rule import Rule
from tests.checks.factory import fault, found_in, measured_file


def test_a_fault_of_this_check_is_told_with_its_place_and_cure() -> None:
    damage = fault("header", severity="warn", start_sample=100, repair="rewrap")
    (finding,) = found_in(measured_file(faults=(damage,)), "header", Rule(severity="fail"))
    assert finding.severity == "warn"
    assert (finding.start_sample, finding.repair) == (100, "rewrap")
    assert finding.found == "what was found"


def test_the_spec_lowers_a_fault() -> None:
    (finding,) = found_in(measured_file(faults=(fault("header"),)), "header", Rule(severity="note"))
    assert finding.severity == "note"


def test_faults_of_other_checks_are_not_told_here() -> None:
    assert not found_in(measured_file(faults=(fault("checksum"),)), "header", Rule(severity="warn"))


def test_all_faults_of_a_file_are_one_finding_with_the_worst_first() -> None:
    faults = (
        fault("header", severity="note", message="a pad byte is missing", repair="rewrap"),
        fault("header", severity="warn", message="the size is 0", repair="copy-audio"),
    )
    (finding,) = found_in(measured_file(faults=faults), "header", Rule(severity="fail"))
    assert finding.message == "the size is 0. a pad byte is missing."
    assert (finding.severity, finding.repair) == ("warn", "copy-audio")


def test_a_fault_without_a_cure_leaves_the_file_without_one() -> None:
    faults = (fault("header", repair="rewrap", message="a"), fault("header", message="b"))
    (finding,) = found_in(measured_file(faults=faults), "header", Rule(severity="warn"))
    assert finding.repair is None
