from __future__ import annotations

from stemprep.checks import judge
from stemprep.model.rule import Rule
from tests.checks.factory import findings_of, measured_file, session, spec


def test_each_pattern_that_matches_nothing() -> None:
    measured = session(measured_file(), unmatched=("Song MIX.wav", "Vox*.wav"))
    findings = findings_of(
        judge(measured, spec({"missing-file": Rule(severity="warn")})), "missing-file"
    )
    assert [finding.found for finding in findings] == ["Song MIX.wav", "Vox*.wav"]
    assert all(finding.file is None for finding in findings)


def test_a_sheet_that_holds_passes() -> None:
    assert not findings_of(judge(session(measured_file()), spec()), "missing-file")
