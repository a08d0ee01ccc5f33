"""Validated values to the frozen record of a spec, and what is missing for that."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, TypeVar

from stemprep.checks import CHECKS
from stemprep.model.definition import NO_LIMIT
from stemprep.model.rule import DeliverySpec, RuleTable
from stemprep.spec.parts import SPEC_PARTS
from stemprep.spec.problems import Path_

Record = TypeVar("Record")


def unstated(record: Any, values: Mapping[str, Any], path: Path_) -> list[Path_]:
    """Paths of the record's keys that the values leave open."""
    keys = (name.removeprefix("is_") for name in _names(record))
    return [(*path, key) for key in keys if key not in values]


def unstated_rules(checks: Mapping[str, Any]) -> list[Path_]:
    """List registered checks, or single limits of them, that the values leave open."""
    missing: list[Path_] = []
    for check, known in CHECKS.items():
        if check in checks:
            missing += unstated(known.nature.rule, checks[check], ("checks", check))
        else:
            missing.append(("checks", check))
    return missing


def _table(check: str, entry: Mapping[str, Any]) -> RuleTable:
    """Let a role take over whatever it does not state itself."""
    rule = CHECKS[check].nature.rule
    by_role = {
        role: _frozen(rule, {**entry, **differing})
        for role, differing in entry.get("roles", {}).items()
    }
    return RuleTable(default=_frozen(rule, entry), by_role=by_role)


def _frozen(record: type[Record], values: Mapping[str, Any]) -> Record:
    """Give a record from its keys, all of them stated, as ``shapes.build_record`` does.

    Without asking the annotations: resolving type hints costs more than the whole rest of a check's
    start. A test holds that the names agree.
    """
    stated = {name: values[name.removeprefix("is_")] for name in _names(record)}
    return record(
        **{
            name: None if value == NO_LIMIT else tuple(value) if isinstance(value, list) else value
            for name, value in stated.items()
        }
    )


def _names(record: Any) -> tuple[str, ...]:
    return tuple(each.name for each in fields(record))


def frozen_spec(name: str, content: Mapping[str, Any], warnings: tuple[str, ...]) -> DeliverySpec:
    """Give the record of complete, validated content."""
    parts: dict[str, Any] = {
        part: _frozen(record, content[part]) for part, (record, _) in SPEC_PARTS.items()
    }
    return DeliverySpec(
        name=name,
        title=content["title"],
        purpose=content["purpose"],
        sha256=_content_hash(content),
        rules={check: _table(check, content["checks"][check]) for check in CHECKS},
        warnings=warnings,
        **parts,
    )


def _content_hash(content: Mapping[str, Any]) -> str:
    """sha256 of the resolved content as JSON: keys sorted, no spaces, non-ASCII as it is, UTF-8."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
