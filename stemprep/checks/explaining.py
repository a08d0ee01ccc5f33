"""One cause is reported once: which findings stand when one explains another on the same file."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from stemprep.checks.nature import Check
from stemprep.model.finding import Finding
from stemprep.model.words import SEVERITY_ORDER


def separate_effects(
    findings: Sequence[Finding], checks: Mapping[str, Check]
) -> tuple[list[Finding], list[Finding]]:
    """Return findings that stand, and those that another one explains.

    A finding on several files is explained only when each of its files has the cause.
    """
    causes: dict[str, list[Finding]] = defaultdict(list)
    for finding in findings:
        for path in finding.files if checks[finding.check].nature.explains else ():
            causes[path].append(finding)
    standing: list[Finding] = []
    explained: list[Finding] = []
    for finding in findings:
        is_explained = bool(finding.files) and all(
            any(_explains(cause, finding, checks) for cause in causes[path])
            for path in finding.files
        )
        (explained if is_explained else standing).append(finding)
    return standing, explained


def _explains(cause: Finding, effect: Finding, checks: Mapping[str, Check]) -> bool:
    is_as_bad = SEVERITY_ORDER[cause.severity] <= SEVERITY_ORDER[effect.severity]
    return any(
        effect.check in explanation.effects
        and explanation.unit in ("", effect.unit)
        and explanation.cause_unit in (None, cause.unit)
        and (explanation.is_artefact or is_as_bad)
        for explanation in checks[cause.check].nature.explains
    )
