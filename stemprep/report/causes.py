"""One cause told once: findings of the same check with the same advice, with their files."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from stemprep.checks import CHECKS, CONCERNS
from stemprep.model.finding import Finding, Occurrence
from stemprep.model.header import AudioFormat
from stemprep.model.report import Report
from stemprep.model.words import SEVERITY_ORDER, Severity
from stemprep.report import figures
from stemprep.report.operations import OPERATION_WORDS
from stemprep.units import clock_from_samples

MAX_PLACES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """Findings that one action would cure; at least one, in their order.

    is_cured: a delivery under the spec removes them all in its copies.
    """

    check: str
    severity: Severity
    advice: str
    findings: tuple[Finding, ...]
    is_cured: bool = False

    @property
    def action(self) -> str:
        """What people have to do, or what will be done for them."""
        return cure_words(self.findings[0]) if self.is_cured else self.advice

    @property
    def files(self) -> tuple[str, ...]:
        """Every path at fault, once, in order."""
        paths = (path for finding in self.findings for path in files_of(finding))
        return tuple(dict.fromkeys(paths))

    @property
    def shared_message(self) -> str | None:
        """What was found, where it is the same for all; None where each file has its own."""
        messages = {message_of(finding) for finding in self.findings}
        return messages.pop() if len(messages) == 1 else None

    @property
    def title(self) -> str:
        """``clipping, 3 files``; only the check where no file is at fault."""
        if not self.files:
            return self.check
        return f"{self.check}, {figures.plural(len(self.files), 'file')}"


def causes(findings: Iterable[Finding], cured: Iterable[Finding] = ()) -> tuple[Cause, ...]:
    """Merge findings by severity, check and advice, worst first, else in order of appearance.

    Those that a delivery cures stand apart from those that it does not. Among equals comes first
    what is worst for whoever listens (``CONCERNS``).
    """
    by_delivery = set(cured)
    merged: dict[tuple[Severity, str, str, str], list[Finding]] = {}
    for finding in sorted(findings, key=_urgency):
        cure = str(finding.repair) if finding in by_delivery else ""
        key = (finding.severity, finding.check, finding.advice, cure)
        merged.setdefault(key, []).append(finding)
    return tuple(
        Cause(
            check=check,
            severity=severity,
            advice=advice,
            findings=tuple(group),
            is_cured=bool(cure),
        )
        for (severity, check, advice, cure), group in merged.items()
    )


def cure_words(finding: Finding) -> str:
    """``Deliver cures this in its copy: converted to another sample rate.``"""
    done = OPERATION_WORDS[finding.repair] if finding.repair else "left out"
    return f"Deliver cures this in its copy: {done}."


def _urgency(finding: Finding) -> tuple[int, int]:
    return SEVERITY_ORDER[finding.severity], CONCERNS.index(CHECKS[finding.check].nature.concern)


def standing(report: Report) -> tuple[Finding, ...]:
    """Give the findings that count: neither waived nor removed by the delivery."""
    repaired = set(report.repaired)
    return tuple(each for each in report.findings if each.counts and each not in repaired)


def files_of(finding: Finding) -> tuple[str, ...]:
    """List the paths at fault, the one of ``file`` first."""
    first = () if finding.file is None else (finding.file,)
    return tuple(dict.fromkeys((*first, *finding.files)))


def message_of(finding: Finding) -> str:
    """Give the message without its file's name in front, which stands beside it anyway."""
    return finding.message.removeprefix(f"{finding.file}: ")


def against_words(finding: Finding) -> str:
    """Say ``compared with 7 files: a, b, c and 4 more``; "" where it was compared with none."""
    count = len(finding.against)
    if not count:
        return ""
    names = [*finding.against[:MAX_PLACES]]
    if count > MAX_PLACES:
        names.append(f"{count - MAX_PLACES} more")
    return f"compared with {figures.plural(count, 'file')}: {figures.and_list(names)}"


def place_words(finding: Finding, format_: AudioFormat | None) -> str:
    """``worst at 0:14.220 left, 1:02.004 right and 10 more places``; "" where it adds nothing."""
    spots = finding.spots
    if not spots or format_ is None:
        return ""
    total = max(len(spots), finding.occurrences.count if finding.occurrences else 1)
    words = [_spot_words(spot, format_) for spot in spots[:MAX_PLACES]]
    if total == 1 and words[0].split()[0] in finding.message:
        return f"in {bar_words(finding.start_bar)}" if finding.start_bar else ""
    if total > len(words):
        words.append(figures.plural(total - len(words), "more place"))
    first = "the first in " if total > 1 else ""
    bar = f" ({first}{bar_words(finding.start_bar)})" if finding.start_bar else ""
    return f"{'worst at' if len(words) > 1 else 'at'} {figures.and_list(words)}{bar}"


def bar_words(start_bar: str) -> str:
    """``bar 12, beat 3`` for ``12.3``, which reads like a decimal number."""
    bar, _, beat = start_bar.partition(".")
    return f"bar {bar}, beat {beat}" if beat else f"bar {bar}"


def _spot_words(spot: Occurrence, format_: AudioFormat) -> str:
    clock = clock_from_samples(spot.start_sample, format_.sample_rate_hz)
    if spot.channel is None:
        return clock
    return f"{clock} {figures.channel_name(spot.channel, format_.channels)}".rstrip()
