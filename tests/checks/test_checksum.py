from __future__ import annotations

from stemprep.checks.checksum import ChecksumRule
from tests.checks.factory import fault, found_in, measured_file
from tests.shipped import shipped_rule

RULE = shipped_rule(ChecksumRule, severity="fail", absent_severity="note")


def test_a_sum_that_disagrees_has_the_full_weight() -> None:
    file = measured_file(container="FLAC", faults=(fault("checksum", code="md5-wrong"),))
    (finding,) = found_in(file, "checksum", RULE)
    assert finding.severity == "fail"


def test_a_sum_that_is_absent_has_its_own() -> None:
    """RFC 9639, 8.2: an MD5 of zeros means that it is not known; the file is legal."""
    file = measured_file(container="FLAC", faults=(fault("checksum", code="md5-absent"),))
    (finding,) = found_in(file, "checksum", RULE)
    assert finding.severity == "note"
    silent = shipped_rule(ChecksumRule, severity="fail", absent_severity="off")
    assert not found_in(file, "checksum", silent)


def test_a_file_without_such_faults_passes() -> None:
    assert not found_in(measured_file(container="FLAC"), "checksum", RULE)
