"""The first screen: the verdict in one sentence, and the causes to look at first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from stemprep.checks import CHECKS
from stemprep.model.finding import Finding, Occurrence
from stemprep.model.report import Report
from stemprep.report import figures
from stemprep.report.causes import Cause, causes, standing

MAX_CARDS = 5
MAX_COUNTED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One cause with the finding that shows it best, and the worst place of that.

    place: None for what has no place in time.
    """

    cause: Cause
    finding: Finding
    place: Occurrence | None


def first_screen(report: Report) -> tuple[Card, ...]:
    """What has to be put right or decided, the worst for the listener first; at most five."""
    return tuple(_card(cause) for cause in grave_causes(report)[:MAX_CARDS])


def grave_causes(report: Report) -> tuple[Cause, ...]:
    """All causes but notes, in the order of ``causes``; what a delivery repairs comes last."""
    found = [c for c in causes(standing(report), report.cured) if c.severity != "note"]
    return tuple(sorted(found, key=lambda cause: cause.is_cured))


def _card(cause: Cause) -> Card:
    shown = min(
        enumerate(cause.findings),
        key=lambda item: (not item[1].spots, -_distance(item[1]), item[0]),
    )[1]
    return Card(cause=cause, finding=shown, place=shown.spots[0] if shown.spots else None)


def _distance(finding: Finding) -> float:
    """How far from its limit; 0 where they are not both numbers."""
    if isinstance(finding.found, int | float) and isinstance(finding.required, int | float):
        return abs(finding.found - finding.required)
    return 0.0


def verdict_sentence(report: Report) -> str:
    """``4 files need a look: 2 in another format, 1 clipped. Nothing stops you sending it.``"""
    found = causes(standing(report), report.cured)
    fails = [c for c in found if c.severity == "fail" and not c.is_cured]
    warns = [c for c in found if c.severity == "warn" and not c.is_cured]
    cured = [c for c in found if c.severity != "note" and c.is_cured]
    if fails:
        return f"{_must_be_fixed(fails)}{_then(warns)}"
    if report.blockers:
        stops = figures.plural(len(causes(report.blockers)), "thing")
        return f"{stops} would stop a delivery.{_then(warns)}"
    if warns:
        rest = " Deliver repairs the rest." if cured else ""
        return f"{_subject(warns, 'needs a look', 'need a look')}.{rest}{_free(report)}"
    if cured:
        words = _subject(cured, "is repaired by deliver", "are repaired by deliver")
        return f"{words}. Nothing to do by hand."
    count = len(report.measured.files)
    if report.repaired:
        return f"All well after repair: {figures.plural(count, 'file')}."
    return f"All well: {figures.plural(count, 'file')} checked, nothing to do."


def _must_be_fixed(found: Sequence[Cause]) -> str:
    return _subject(found, "must be fixed first", "must be fixed first") + "."


def _then(warns: Sequence[Cause]) -> str:
    return f" {_subject(warns, 'more needs a look', 'more need a look')}." if warns else ""


def _free(report: Report) -> str:
    is_free = report.package is None and report.passed
    return " Nothing stops you sending it." if is_free else ""


def _subject(found: Sequence[Cause], one: str, several: str) -> str:
    """``4 files need a look: 2 clipped, 1 with DC and 1 more``; causes without a file count too."""
    files = dict.fromkeys(path for cause in found for path in cause.files)
    bare = sum(1 for cause in found if not cause.files)
    count = len(files) + bare
    noun = "file" if files else "thing"
    verb = one if count == 1 else several
    return f"{figures.plural(count, noun)} {verb}: {counted_words(found)}"


def counted_words(found: Iterable[Cause]) -> str:
    """``2 in another format, 1 clipped, 3 more``: how many files of which checks."""
    by_check: dict[str, set[str]] = {}
    for cause in found:
        by_check.setdefault(cause.check, set()).update(cause.files or {f"the set, {cause.check}"})
    words = [f"{len(paths)} {CHECKS[check].nature.files_are}" for check, paths in by_check.items()]
    more = len(words) - MAX_COUNTED
    if more > 1:
        words = [*words[:MAX_COUNTED], f"{more} other faults"]
    return ", ".join(words)
