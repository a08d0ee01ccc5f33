from __future__ import annotations

from stemprep.model.rule import Rule
from tests.checks.factory import fault, found_in, measured_file


def test_a_fault_says_why() -> None:
    file = measured_file(is_readable=False, faults=(fault("unreadable", message="0 channels"),))
    (finding,) = found_in(file, "unreadable", Rule(severity="fail"))
    assert (finding.message, finding.severity) == ("0 channels", "fail")


def test_no_sound_and_no_fault_is_still_told() -> None:
    (finding,) = found_in(measured_file(is_readable=False), "unreadable", Rule(severity="fail"))
    assert "no sound" in finding.message


def test_a_header_that_cannot_be_true_says_why() -> None:
    """``header`` is explained by this finding and goes, so its words must stand here."""
    file = measured_file(is_readable=False, faults=(fault("header", message="rate of 17 Hz"),))
    (finding,) = found_in(file, "unreadable", Rule(severity="fail"))
    assert finding.message == "rate of 17 Hz"


def test_a_lossy_file_that_cannot_be_decoded_has_its_reason_already() -> None:
    file = measured_file(is_readable=False, faults=(fault("lossy-source"),))
    assert not found_in(file, "unreadable", Rule(severity="warn"))


def test_a_file_with_sound_passes() -> None:
    assert not found_in(measured_file(), "unreadable", Rule(severity="warn"))
