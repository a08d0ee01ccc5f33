from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from stemprep.checks import CHECKS, Judgement, judge
from stemprep.checks.clipping import ClippingRule
from stemprep.checks.loudness import LoudnessRule
from stemprep.checks.true_peak import TruePeakRule
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import SessionSheet, Waiver
from tests.checks.factory import (
    entry,
    fault,
    findings_of,
    measured_file,
    runs,
    session,
    sound,
    spec,
)
from tests.shipped import shipped_rule

CLIPPED = sound(identity="clipped", full_scale=runs((1, 1_000, 1_010)), peaks_dbfs=(0.0,))
FAIL: dict[str, Rule] = {
    "truncated": Rule(severity="fail"),
    "clipping": shipped_rule(ClippingRule, severity="fail"),
    "true-peak": shipped_rule(TruePeakRule, max_dbtp=-1.0),
}


def signed(check: str = "clipping", file: str = "Gtr*.wav", **changes: Any) -> Waiver:
    return Waiver(
        check=check, file=file, reason="meant", initials="AB", date="2031-05-01", **changes
    )


def judged_with(*waivers: Waiver, files: Sequence[MeasuredFile] = ()) -> Judgement:
    files = files or (measured_file("Gtr DI.wav", CLIPPED),)
    return judge(session(*files, sheet=SessionSheet(waivers=waivers)), spec(FAIL))


def test_a_waived_finding_does_not_count_and_is_still_there() -> None:
    judgement = judged_with(signed())
    (finding,) = judgement.findings
    assert (finding.check, finding.severity) == ("clipping", "fail")
    assert (finding.waived_by, finding.waiver_reason) == ("AB", "meant")
    assert judgement.verdict == "pass"
    assert judgement.songs[0].verdict == "pass"


def test_without_a_waiver_it_counts() -> None:
    assert judged_with().verdict == "fail"


@pytest.mark.parametrize(("pattern", "holds"), [
    ("Gtr DI.wav", True), ("gtr di.WAV", True), ("Gtr ??.wav", True), ("Vox.wav", False),
    ("Gtr [A-Z]I.wav", False),
])  # fmt: skip
def test_patterns(pattern: str, holds: bool) -> None:
    judgement = judged_with(signed(file=pattern))
    assert (judgement.verdict == "pass") is holds


def test_a_pattern_stays_within_its_folder() -> None:
    files = [measured_file("a/b/Gtr.wav", CLIPPED)]
    assert judged_with(signed(file="a/*"), files=files).verdict == "fail"
    assert judged_with(signed(file="a/*/Gtr.wav"), files=files).verdict == "pass"
    assert judged_with(signed(file="Gtr.wav"), files=files).verdict == "pass"


def test_patterns_count_from_the_sheets_folder() -> None:
    sheet = SessionSheet(waivers=(signed(file="Stems/Gtr.wav"),))
    files = measured_file("Drop/Stems/Gtr.wav", CLIPPED)
    measured = session(files, sheet=sheet, others=[entry("Drop/session.yaml", "sheet")])
    assert judge(measured, spec(FAIL)).verdict == "pass"


def test_one_that_matches_nothing_is_a_note() -> None:
    judgement = judged_with(signed(file="Vox.wav"))
    (note,) = findings_of(judgement, "waiver")
    assert note.severity == "note"
    assert "matches no finding" in note.message


@pytest.mark.parametrize(
    "check", [check for check, known in CHECKS.items() if not known.nature.is_waivable]
)
def test_some_cannot_be_waived(check: str) -> None:
    damaged = measured_file("Gtr.wav", faults=(fault("truncated"),))
    judgement = judged_with(signed(check), files=[damaged])
    assert [f.severity for f in findings_of(judgement, "truncated")] == ["fail"]
    assert judgement.verdict == "fail"
    (note,) = findings_of(judgement, "waiver")
    assert "cannot be waived" in note.message


def test_a_new_export_needs_it_confirmed() -> None:
    assert judged_with(signed(audio_sha256=CLIPPED.audio_sha256)).verdict == "pass"
    judgement = judged_with(signed(audio_sha256="0" * 64))
    assert judgement.verdict == "fail"
    (note,) = findings_of(judgement, "waiver")
    assert "needs to be confirmed" in note.message
    assert note.file == "Gtr DI.wav"


@pytest.mark.parametrize(("start", "end", "holds"), [
    (1_000, 1_010, True), (0, 2_000, True), (1_001, 1_010, False), (1_000, 1_009, False),
    (None, 1_010, True), (1_000, None, True),
])  # fmt: skip
def test_both_sides_of_a_range(start: int | None, end: int | None, holds: bool) -> None:
    judgement = judged_with(signed(start_sample=start, end_sample=end))
    assert (judgement.verdict == "pass") is holds


@pytest.mark.parametrize(("limit", "holds"), [(9.0, False), (10.0, True), (11.0, True)])
def test_both_sides_of_a_limit(limit: float, holds: bool) -> None:
    """The clip is 10 samples long."""
    judgement = judged_with(signed(limit=limit))
    assert (judgement.verdict == "pass") is holds


@pytest.mark.parametrize(("limit", "holds"), [(-25.0, False), (-26.0, True)])
def test_a_limit_below_what_is_required(limit: float, holds: bool) -> None:
    quiet = measured_file("Gtr.wav", sound(loudness_lufs=-26.0))
    sheet = SessionSheet(waivers=(signed("loudness", "Gtr.wav", limit=limit),))
    rules = spec({"loudness": shipped_rule(LoudnessRule, severity="fail", min_lufs=-24.0)})
    assert (judge(session(quiet, sheet=sheet), rules).verdict == "pass") is holds


def test_one_for_an_explained_finding_has_matched() -> None:
    """The true peak of a clipped file is not told; who signed for it was not mistaken."""
    judgement = judged_with(signed(), signed("true-peak"))
    assert [finding.check for finding in judgement.findings] == ["clipping"]


def test_a_finding_on_several_files_needs_all_of_them_signed() -> None:
    files = [measured_file(path, sound(identity="x")) for path in ("a.wav", "b.wav", "c.wav")]
    one = signed("duplicate-audio", "b.wav")
    both = (one, signed("duplicate-audio", "c.wav"))
    (finding,) = findings_of(judged_with(one, files=files), "duplicate-audio")
    assert finding.counts
    (finding,) = findings_of(judged_with(*both, files=files), "duplicate-audio")
    assert finding.waived_by == "AB"


def test_a_missing_file_is_waived_by_its_name_in_the_sheet() -> None:
    sheet = SessionSheet(waivers=(signed("missing-file", "MIX.wav"),))
    judgement = judge(session(measured_file(), sheet=sheet, unmatched=("MIX.wav",)), spec())
    (finding,) = findings_of(judgement, "missing-file")
    assert finding.waived_by == "AB"
