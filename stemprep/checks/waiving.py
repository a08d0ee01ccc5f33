"""Signed exceptions: which findings they cover, and which of them do not hold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredSession
from stemprep.model.sheet import Waiver
from stemprep.model.words import NOT_WAIVABLE
from stemprep.naming import collision_key
from stemprep.units import SILENCE_DB

_OWN_CHECK = "waiver"


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """Why a waiver does not hold, or not for ``files``."""

    waiver: Waiver
    reason: str
    advice: str
    files: tuple[str, ...] = ()


def apply_waivers(
    findings: Sequence[Finding], explained: Sequence[Finding], measured: MeasuredSession
) -> tuple[tuple[Finding, ...], tuple[Objection, ...]]:
    """Mark the findings that are signed for; list what is wrong with the waivers.

    A finding on several files is waived only when each of them is. ``explained`` are findings
    that another one stands for: a waiver that fits one of those has matched.
    """
    sheet = measured.session.sheet
    if sheet is None or not sheet.waivers:
        return tuple(findings), ()
    hashes = {file.path: file.facts.audio_sha256 for file in measured.files}
    usable = [waiver for waiver in sheet.waivers if _is_waivable(waiver)]
    marked = tuple(_marked(finding, usable, hashes) for finding in findings)
    objections: list[Objection] = []
    for waiver in sheet.waivers:
        objections += _objections(waiver, findings, explained, hashes)
    return marked, tuple(objections)


def fits(pattern: str, path: str) -> bool:
    """Tell whether a pattern covers a path, as the sheet's other patterns do.

    ``*`` and ``?`` stay within one folder's name, brackets stand for themselves, case and
    Unicode form do not count; without a ``/`` only the file's name is compared.
    """
    wanted = collision_key(pattern.removeprefix("./")).replace("[", "[[]").split("/")
    parts = collision_key(path).split("/")
    found = parts[-1:] if len(wanted) == 1 else parts
    return len(wanted) == len(found) and all(map(fnmatchcase, found, wanted))


def _is_waivable(waiver: Waiver) -> bool:
    return waiver.check not in NOT_WAIVABLE and waiver.check != _OWN_CHECK


def _subjects(finding: Finding) -> tuple[str, ...]:
    """Return the files of a finding; for one without files, what it found."""
    return finding.files or ((str(finding.found),) if finding.found is not None else ())


def _marked(
    finding: Finding, waivers: Sequence[Waiver], hashes: Mapping[str, str | None]
) -> Finding:
    signed: list[Waiver] = []
    for subject in _subjects(finding):
        holding = (w for w in waivers if _covers(w, finding, subject, hashes))
        waiver = next(holding, None)
        if waiver is None:
            return finding
        signed.append(waiver)
    if not signed:
        return finding
    return replace(
        finding,
        waived_by=", ".join(dict.fromkeys(waiver.initials for waiver in signed)),
        waiver_reason="; ".join(dict.fromkeys(waiver.reason for waiver in signed)),
    )


def _covers(
    waiver: Waiver, finding: Finding, subject: str, hashes: Mapping[str, str | None]
) -> bool:
    return (
        waiver.check == finding.check
        and fits(waiver.file, subject)
        and _shortfall(waiver, finding, subject, hashes) is None
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
    waiver: Waiver,
    findings: Sequence[Finding],
    explained: Sequence[Finding],
    hashes: Mapping[str, str | None],
) -> Iterator[Objection]:
    if not _is_waivable(waiver):
        yield Objection(
            waiver=waiver,
            reason="has no effect: that check cannot be waived",
            advice="Take the line out of the sheet and cure the fault itself.",
        )
        return
    named = [
        (finding, subject)
        for finding in (*findings, *explained)
        for subject in _subjects(finding)
        if finding.check == waiver.check and fits(waiver.file, subject)
    ]
    if not named:
        yield Objection(
            waiver=waiver,
            reason="matches no finding",
            advice="Take the line out of the sheet, or correct check and file name.",
        )
    short: dict[str, list[str]] = {}
    for finding, subject in named:
        reason = _shortfall(waiver, finding, subject, hashes)
        if reason is not None:
            short.setdefault(reason, []).append(subject)
    for reason, subjects in short.items():
        yield Objection(
            waiver=waiver,
            reason=f"{reason}: it needs to be confirmed",
            advice="Listen again, then confirm it with the new values, date and initials.",
            files=tuple(dict.fromkeys(subjects)),
        )
