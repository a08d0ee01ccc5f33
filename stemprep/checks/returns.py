"""Judge what came back: the checks on returns, and what any check finds in the new files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from stemprep.checks.nature import Check
from stemprep.checks.tell import rate_name, severity_under, word_name
from stemprep.checks.waiving import apply_waivers
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import NewFile, Returned
from stemprep.model.rule import DeliverySpec, RuleTable
from stemprep.model.session import MeasuredSession
from stemprep.model.words import SEVERITY_ORDER
from stemprep.naming import file_name, folded, split_extension

FORMATS = "mixed-formats"
_NOTES_ON_TAKES = frozenset(
    {"silent-file", "silent-channel", "dual-mono", "stereo-polarity", "padded-word", "bandwidth"}
)


def judge_return_by(
    returned: Returned,
    findings: Sequence[Finding],
    spec: DeliverySpec,
    checks: Mapping[str, Check],
    measured: MeasuredSession | None = None,
) -> tuple[Finding, ...]:
    """All that stands against a return, worst first.

    findings: what a check of the returned files alone found; kept is what concerns one new or
              unreadable file, or what is unsafe. Of notes only those that a receiver of takes would
              act on: that new files start and end where they were recorded is no fault of a return.
    measured: the return by itself, whose sheet may hold signed exceptions.
    """
    found: list[Finding] = []
    for check in checks.values():
        if check.nature.scope == "return":
            found += check.run(returned, spec.rules[check.id])
    found += _formats(returned, spec.rules[FORMATS])
    found += _against_the_list(returned, spec)
    if measured is not None:
        found = list(apply_waivers(found, (), measured, checks)[0])
    found += [
        _as_of_a_take(finding, returned)
        for finding in findings
        if _concerns(finding, returned, checks)
    ]
    return tuple(
        sorted(found, key=lambda each: (SEVERITY_ORDER[each.severity], each.files, each.check))
    )


def _concerns(finding: Finding, returned: Returned, checks: Mapping[str, Check]) -> bool:
    if finding.check == "unsafe-entry":
        return finding.severity != "note"
    if finding.severity == "note" and finding.check not in _NOTES_ON_TAKES:
        return False
    looked_at = {file.file for file in returned.new_files} | set(returned.unread)
    is_of_one_file = checks[finding.check].nature.scope == "file"
    return is_of_one_file and finding.file is not None and finding.file in looked_at


def _as_of_a_take(finding: Finding, returned: Returned) -> Finding:
    """An empty track is usual in a session exported whole; among new takes it is a lost one.

    A lossy copy of what is there without loss too, here or in the package, is for listening.
    """
    if finding.check == "silent-file" and finding.severity == "note":
        return replace(finding, severity="warn")
    whole = _without_loss(finding, returned) if finding.check == "lossy-source" else ""
    if not whole:
        return finding
    return replace(
        finding,
        severity="note",
        message=f"a lossy copy of {whole}, for listening only; it does not go into a delivery",
        advice="Nothing: what it is a copy of is there without loss.",
    )


def _without_loss(finding: Finding, returned: Returned) -> str:
    """What a lossy file is a copy of, by its name; "" where nothing has that name."""
    for fate in returned.originals:
        if finding.file in fate.lossy_copies:
            return f"the original {fate.source}"
    named = (
        file.file for file in returned.new_files if _stem(file.file) == _stem(finding.file or "")
    )
    return next(named, "")


def _stem(path: str) -> str:
    return folded(split_extension(file_name(path))[0])


def _against_the_list(returned: Returned, spec: DeliverySpec) -> Iterator[Finding]:
    """What the other room's own list names and is not there, and what it does not name."""
    if not returned.list_file:
        return
    missing = severity_under(spec.rules["missing-file"].for_role("track").severity, "warn")
    if returned.not_there and missing is not None:
        yield Finding(
            check="missing-file",
            severity=missing,
            message=f"listed in {returned.list_file} and not in what came back",
            advice="Ask the room for them, or whether the list is right.",
            files=returned.not_there,
        )
    unlisted = tuple(file.file for file in returned.new_files if file.listed is None)
    other = severity_under(spec.rules["unexpected-file"].for_role("track").severity, "note")
    if unlisted and other is not None:
        yield Finding(
            check="unexpected-file",
            severity=other,
            message=f"came back and not listed in {returned.list_file}",
            advice="Ask the room what they are.",
            files=unlisted,
        )


def _formats(returned: Returned, rules: RuleTable) -> Iterator[Finding]:
    """New files whose rate or word length is not the session's, whatever most of the return has."""
    for file in returned.new_files:
        severity = severity_under(rules.for_role(file.role).severity)
        odd, unit = _oddity(file)
        if odd and severity is not None and file.session_format is not None:
            yield Finding(
                check=FORMATS,
                severity=severity,
                message=odd,
                advice="Ask for an export at the session's rate and word length, or accept the "
                "return: the spec says what is converted in the copy.",
                file=file.file,
                files=(file.file,),
                song=file.song,
                found=file.format.sample_rate_hz if unit == "Hz" else file.format.bit_depth,
                required=file.session_format.sample_rate_hz
                if unit == "Hz"
                else file.session_format.bit_depth,
                unit=unit,
            )


def _oddity(file: NewFile) -> tuple[str, str]:
    """What differs, in words, and the unit of the worse of the two; empty where nothing does."""
    own, session = file.format, file.session_format
    if session is None:
        return "", ""
    is_rate_odd = own.sample_rate_hz != session.sample_rate_hz
    is_word_odd = (own.encoding, own.bit_depth) != (session.encoding, session.bit_depth)
    parts = (
        [(rate_name(own.sample_rate_hz), rate_name(session.sample_rate_hz))] if is_rate_odd else []
    )
    parts += [(word_name(own), word_name(session))] if is_word_odd else []
    if not parts:
        return "", ""
    mine = " and ".join(part[0] for part in parts)
    theirs = " and ".join(part[1] for part in parts)
    return f"{mine}, while the session is {theirs}", "Hz" if is_rate_odd else "bit"
