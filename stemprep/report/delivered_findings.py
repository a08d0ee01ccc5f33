"""Findings as the receiver of a package may read them: with the figures of what was delivered."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from stemprep.model.finding import Finding
from stemprep.model.package import WrittenFile
from stemprep.model.report import Report
from stemprep.model.words import OperationName
from stemprep.report.causes import files_of
from stemprep.report.moved import moved_words
from stemprep.report.sums import package_paths

UNTOUCHED: frozenset[OperationName] = frozenset({"copy", "copy-audio"})
AS_DROPPED = " (figures as dropped)"
_FIGURE = re.compile(r"\d")
_Key = tuple[str, frozenset[str]]


def findings_as_delivered(
    findings: Sequence[Finding], report: Report, written: Sequence[WrittenFile]
) -> tuple[Finding, ...]:
    """The findings, each with the message that the written files were given where these changed.

    Where no finding on the written files answers to it, a message with figures says that they are
    those of the drop.
    """
    paths = package_paths(written)
    changed = changed_sources(report)
    found: dict[_Key, list[Finding]] = defaultdict(list)
    for each in () if report.delivered is None else report.delivered.findings:
        found[each.check, frozenset(files_of(each))].append(each)
    asked: dict[_Key, int] = defaultdict(int)
    for finding in findings:
        asked[_key(finding, paths)] += 1
    return tuple(
        _as_delivered(
            finding,
            report,
            found[_key(finding, paths)] if asked[_key(finding, paths)] == 1 else (),
            is_changed=not changed.isdisjoint((*files_of(finding), *finding.against)),
        )
        for finding in findings
    )


def changed_sources(report: Report) -> frozenset[str]:
    """Dropped files whose sound the plan has changed."""
    return frozenset(
        source
        for output in (() if report.plan is None else report.plan.outputs)
        if any(step.name not in UNTOUCHED for step in output.operations)
        for source in output.sources
    )


def _key(finding: Finding, paths: dict[str, str]) -> _Key:
    return finding.check, frozenset(paths.get(path, path) for path in files_of(finding))


def _as_delivered(
    finding: Finding, report: Report, answers: Sequence[Finding], *, is_changed: bool
) -> Finding:
    if not is_changed:
        return replace(finding, message=finding.message + moved_words(finding, report))
    if len(answers) == 1:
        file = answers[0].file
        return replace(finding, message=answers[0].message.removeprefix(f"{file}: "))
    place = moved_words(finding, report)
    label = AS_DROPPED if not place and _FIGURE.search(finding.message) else ""
    return replace(finding, message=finding.message + place + label)
