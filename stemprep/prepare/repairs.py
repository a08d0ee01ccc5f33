"""Which findings the planned operations remove, judged by what the plan gives."""

from __future__ import annotations

from collections.abc import Sequence

from stemprep.checks.container import ContainerRule
from stemprep.checks.name import ID as NAME
from stemprep.checks.name_collision import ID as NAME_COLLISION
from stemprep.checks.sample_rate import SampleRateRule
from stemprep.model.finding import Finding
from stemprep.model.plan import OutputPlan, Repair
from stemprep.model.rule import DeliverySpec
from stemprep.model.words import OperationName
from stemprep.naming import collision_key, portability_problems
from stemprep.prepare.reshape import files_of

_SET_WIDE: frozenset[OperationName] = frozenset({"place", "pad", "trim"})


def repairs_of(
    findings: Sequence[Finding], outputs: Sequence[OutputPlan], spec: DeliverySpec
) -> tuple[Repair, ...]:
    """One repair for each file of a finding that is removed in all its files."""
    repairs: list[Repair] = []
    for finding in findings:
        paths = files_of(finding)
        if finding.repair is None or not paths:
            continue
        made = [[out for out in outputs if path in out.sources] for path in paths]
        if finding.check == NAME_COLLISION:  # a name that does not travel meets no other
            made = [group for group in made if group]
        if all(made) and all(
            _is_cured(finding, out, outputs, spec) for group in made for out in group
        ):
            repairs += [
                Repair(check=finding.check, file=path, operation=finding.repair) for path in paths
            ]
    return tuple(dict.fromkeys(repairs))


def _is_cured(
    finding: Finding, output: OutputPlan, outputs: Sequence[OutputPlan], spec: DeliverySpec
) -> bool:
    if finding.check == NAME:
        return not portability_problems(output.path)
    if finding.check == NAME_COLLISION:
        key = collision_key(output.path, is_extension_ignored=True)
        keys = [collision_key(other.path, is_extension_ignored=True) for other in outputs]
        return keys.count(key) == 1
    if finding.repair in ("rewrap", "copy-audio"):
        return not output.is_copy and _is_accepted(finding, output, spec)
    if finding.repair in _SET_WIDE:
        song = [other for other in outputs if other.song == output.song]
        return any(step.name == finding.repair for other in song for step in other.operations)
    if finding.repair == "gain":
        return _is_cured_by_gain(finding, output)
    is_planned = any(step.name == finding.repair for step in output.operations)
    return is_planned and _is_accepted(finding, output, spec)


def _is_cured_by_gain(finding: Finding, output: OutputPlan) -> bool:
    """Tell whether the ordered gain brings the level found to the right side of the limit."""
    gains = [step.parameters.get("gain_db") for step in output.operations if step.name == "gain"]
    gain_db = sum(value for value in gains if isinstance(value, int | float))
    found, required = finding.found, finding.required
    if not isinstance(found, int | float) or not isinstance(required, int | float) or not gain_db:
        return False
    is_too_high = found > required
    return (found + gain_db <= required) if is_too_high else (found + gain_db >= required)


def _is_accepted(finding: Finding, output: OutputPlan, spec: DeliverySpec) -> bool:
    """Tell whether the result's container or rate is one that the spec takes."""
    rule = spec.rule(finding.check, output.role) if finding.check in spec.rules else None
    form = output.format
    if form is None:
        return False
    if isinstance(rule, ContainerRule):
        return not rule.accepted or form.container in rule.accepted
    if isinstance(rule, SampleRateRule):
        return not rule.accepted_hz or form.sample_rate_hz in rule.accepted_hz
    return True
