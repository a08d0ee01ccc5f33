"""Signed exceptions: which findings they cover, and which of them do not hold."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from stemprep.checks.nature import Check
from stemprep.checks.sheet_paths import sheet_index
from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredSession
from stemprep.model.sheet import Waiver
from stemprep.units import SILENCE_DB

_OWN_CHECK = "waiver"


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """Why a waiver does not hold, or not for ``files``."""

    waiver: Waiver
    reason: str
    advice: str
    files: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Signed:
    """A waiver with the subjects that its pattern names, and whether its check may be waived."""

    waiver: Waiver
    subjects: frozenset[str]
    is_waivable: bool


def apply_waivers(
    findings: Sequence[Finding],
    explained: Sequence[Finding],
    measured: MeasuredSession,
    checks: Mapping[str, Check],
) -> tuple[tuple[Finding, ...], tuple[Objection, ...]]:
    """Mark the findings that are signed for; list what is wrong with the waivers.

    A finding on several files is waived only when each of them is. ``explained`` are findings
    that another one stands for: a waiver that fits one of those has matched. Raises SpecError
    for a sheet with too many different patterns.
    """
    sheet = measured.session.sheet
    if sheet is None or not sheet.waivers:
        return tuple(findings), ()
    hashes = {file.path: file.facts.audio_sha256 for file in measured.files}
    every = (*findings, *explained)
    subjects = dict.fromkeys(subject for finding in every for subject in _subjects(finding))
    index = sheet_index(measured, subjects)
    signed = [
        _Signed(waiver, frozenset(index.named_by(waiver.file)), _is_waivable(waiver, checks))
        for waiver in dict.fromkeys(sheet.waivers)
    ]
    by_check: dict[str, list[_Signed]] = defaultdict(list)
    for one in signed:
        if one.is_waivable:
            by_check[one.waiver.check].append(one)
    marked = tuple(_marked(finding, by_check[finding.check], hashes) for finding in findings)
    of_check: dict[str, list[Finding]] = defaultdict(list)
    for finding in every:
        of_check[finding.check].append(finding)
    objections = (_objections(one, of_check[one.waiver.check], hashes) for one in signed)
    return marked, tuple(objection for some in objections for objection in some)


def _is_waivable(waiver: Waiver, checks: Mapping[str, Check]) -> bool:
    check = checks.get(waiver.check)
    return check is not None and check.nature.is_waivable and waiver.check != _OWN_CHECK


def _subjects(finding: Finding) -> tuple[str, ...]:
    """Return the files of a finding; for one without files, what it found."""
    return finding.files or ((str(finding.found),) if finding.found is not None else ())


def _marked(
    finding: Finding, candidates: Sequence[_Signed], hashes: Mapping[str, str | None]
) -> Finding:
    holding: list[Waiver] = []
    for subject in _subjects(finding):
        fitting = (
            one.waiver
            for one in candidates
            if subject in one.subjects and _shortfall(one.waiver, finding, subject, hashes) is None
        )
        waiver = next(fitting, None)
        if waiver is None:
            return finding
        holding.append(waiver)
    if not holding:
        return finding
    return replace(
        finding,
        waived_by=", ".join(dict.fromkeys(waiver.initials for waiver in holding)),
        waiver_reason="; ".join(dict.fromkeys(waiver.reason for waiver in holding)),
    )


def _shortfall(
    waiver: Waiver, finding: Finding, subject: str, hashes: Mapping[str, str | None]
) -> str | None:
    """In words, why a waiver that names this finding does not reach it; None when it does."""
    if waiver.audio_sha256 is not None and waiver.audio_sha256 != hashes.get(subject):
        return "was signed for other audio"
    if not _is_in_range(waiver, finding):
        return "covers another place than the one found"
    if waiver.limit is not None and not _is_within(waiver.limit, finding):
        return f"accepts {waiver.limit:g} {finding.unit}".rstrip() + f", found {finding.found}"
    return None


def _is_in_range(waiver: Waiver, finding: Finding) -> bool:
    if waiver.start_sample is None and waiver.end_sample is None:
        return True
    if finding.start_sample is None or finding.end_sample is None:
        return False
    starts_inside = waiver.start_sample is None or waiver.start_sample <= finding.start_sample
    ends_inside = waiver.end_sample is None or finding.end_sample <= waiver.end_sample
    return starts_inside and ends_inside


def _is_within(limit: float, finding: Finding) -> bool:
    """Tell whether what was found is no further from what is required than the limit."""
    found, required = finding.found, finding.required
    if not isinstance(found, int | float):
        return False
    if isinstance(required, int | float) and limit < required:
        return limit <= found
    return SILENCE_DB < found <= limit


def _objections(
    signed: _Signed, findings: Sequence[Finding], hashes: Mapping[str, str | None]
) -> Iterator[Objection]:
    """Yield what is wrong with one waiver, given all findings of its check."""
    waiver = signed.waiver
    if not signed.is_waivable:
        yield Objection(
            waiver=waiver,
            reason="has no effect: that check cannot be waived",
            advice="Take the line out of the sheet and cure the fault itself.",
        )
        return
    has_matched = False
    short: dict[str, dict[str, None]] = defaultdict(dict)
    for finding in findings:
        for subject in signed.subjects.intersection(_subjects(finding)):
            has_matched = True
            reason = _shortfall(waiver, finding, subject, hashes)
            if reason is not None:
                short[reason][subject] = None
    if not has_matched:
        yield Objection(
            waiver=waiver,
            reason="matches no finding",
            advice="Take the line out of the sheet, or correct check and file name.",
        )
    for reason, subjects in short.items():
        yield Objection(
            waiver=waiver,
            reason=f"{reason}: it needs to be confirmed",
            advice="Listen again, then confirm it with the new values, date and initials.",
            files=tuple(sorted(subjects)),
        )
