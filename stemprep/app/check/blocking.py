"""Which findings stand: before a package is made, and after what was written is judged again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stemprep.app.check.inspection import Inspection
from stemprep.checks import CHECKS, verdict_of
from stemprep.model.finding import Finding
from stemprep.model.plan import Plan
from stemprep.model.report import SongVerdict
from stemprep.model.words import SEVERITY_ORDER, Verdict


def verdicts(
    inspection: Inspection, findings: Sequence[Finding]
) -> tuple[Verdict, tuple[SongVerdict, ...]]:
    """Verdict over all and per song of the findings that stand."""
    songs = tuple(
        SongVerdict(
            song=known.song, verdict=verdict_of(f for f in findings if f.song == known.song)
        )
        for known in inspection.judgement.songs
    )
    return verdict_of(findings), songs


def standing_findings(inspection: Inspection, planned: Plan) -> tuple[Finding, ...]:
    """What stands against a delivery by this plan, worst first; a fail that counts stops it.

    Left out is what a planned operation removes, and what concerns only files that do not travel
    because of their role.
    """
    findings = (*planned.blockers, *inspection.judgement.findings)
    staying = _staying_home(inspection)
    standing = [
        finding
        for finding in findings
        if not is_repaired(finding, planned) and not _stays_home(finding, staying)
    ]
    return tuple(sorted(standing, key=_worst_first))


def remaining_findings(
    inspection: Inspection, planned: Plan, after: Sequence[Finding]
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """What stands after writing, and what the written files prove to be repaired.

    after: findings on the written files, told by their sources' names. One of the same check on
    the same file that is milder than before stands in its place.
    """
    proven: dict[tuple[str, str], int] = {}
    for finding in after:
        for path in _paths(finding):
            rank = SEVERITY_ORDER[finding.severity]
            proven[finding.check, path] = min(rank, proven.get((finding.check, path), rank))
    staying = _staying_home(inspection)
    remaining: list[Finding] = []
    repaired: list[Finding] = []
    for finding in inspection.judgement.findings:
        if _stays_home(finding, staying):
            continue
        rank = SEVERITY_ORDER[finding.severity]
        still_there = any(
            proven.get((finding.check, path), rank + 1) <= rank for path in _paths(finding)
        )
        if is_repaired(finding, planned) and not still_there:
            repaired.append(finding)
        else:
            remaining.append(finding)
    known = {(finding.check, path) for finding in remaining for path in _paths(finding)}
    groups = {(finding.check, _group(finding)) for finding in remaining if finding.against}
    remaining.extend(
        replace(finding, message=f"{finding.message} (in the delivered file)")
        for finding in after
        if not any((finding.check, path) in known for path in _paths(finding))
        and (finding.check, _group(finding)) not in groups
        and not _is_of_our_making(finding, planned)
    )
    return tuple(sorted(remaining, key=_worst_first)), tuple(repaired)


def _worst_first(finding: Finding) -> tuple[int, tuple[str, ...], str]:
    return SEVERITY_ORDER[finding.severity], _paths(finding), finding.check


def _paths(finding: Finding) -> tuple[str, ...]:
    return finding.files or (() if finding.file is None else (finding.file,))


def _is_of_our_making(finding: Finding, planned: Plan) -> bool:
    """What the plan has announced is no alarm: silence put in front, 16 bits in a word of 24."""
    expected_after = CHECKS[finding.check].nature.side_effect_of
    made = {
        source
        for output in planned.outputs
        if any(operation.name in expected_after for operation in output.operations)
        for source in output.sources
    }
    paths = _paths(finding)
    return bool(paths) and made.issuperset(paths)


def _group(finding: Finding) -> frozenset[str]:
    """At fault and compared with: other names in the package may let another one be blamed."""
    return frozenset((*_paths(finding), *finding.against))


def is_repaired(finding: Finding, planned: Plan) -> bool:
    """Tell whether planned operations remove the finding from every file it names."""
    repairs = {(repair.check, repair.file) for repair in planned.repairs}
    paths = _paths(finding)
    return bool(paths) and all((finding.check, path) in repairs for path in paths)


def _staying_home(inspection: Inspection) -> frozenset[str]:
    left_out = inspection.spec.contents.left_out_roles
    return frozenset(file.path for file in inspection.measured.files if file.role in left_out)


def _stays_home(finding: Finding, staying: frozenset[str]) -> bool:
    paths = _paths(finding)
    return bool(paths) and staying.issuperset(paths)
