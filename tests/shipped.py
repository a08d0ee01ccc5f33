"""What the shipped base spec sets, for tests: a rule or the measuring settings, with changes."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any, TypeVar

from stemprep.model.facts import MeasureSettings
from stemprep.model.rule import DeliverySpec, Rule
from stemprep.spec import load_spec

RuleType = TypeVar("RuleType", bound=Rule)


@cache
def base_spec() -> DeliverySpec:
    return load_spec("base")


def shipped_rule(kind: type[RuleType], **changes: Any) -> RuleType:
    """The rule of this class as the base spec sets it, for the first check that has it."""
    tables = base_spec().rules.values()
    found = next(table.default for table in tables if type(table.default) is kind)
    assert isinstance(found, kind)
    return replace(found, **changes)


def measure_settings(**changes: Any) -> MeasureSettings:
    return replace(base_spec().measure, **changes)
