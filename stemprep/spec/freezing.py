"""Validated values to the frozen records of ``model/``, and what is missing for that."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, TypeVar

from stemprep.model.facts import MeasureSettings
from stemprep.model.rule import (
    RULE_TYPES,
    Contents,
    DeliverySpec,
    Naming,
    Operations,
    Rule,
    RuleTable,
    Target,
)
from stemprep.spec.problems import Path_

NO_LIMIT = "none"
SPEC_PARTS: dict[str, type[Any]] = {
    "measure": MeasureSettings,
    "target": Target,
    "operations": Operations,
    "naming": Naming,
    "contents": Contents,
}

Record = TypeVar("Record")


def keys_of(record: type[Any]) -> dict[str, str]:
    """Field of a record -> its key in YAML: the same, without the ``is_`` of yes-or-no fields."""
    return {field.name: field.name.removeprefix("is_") for field in fields(record)}


def unstated(record: type[Any], values: Mapping[str, Any], path: Path_) -> list[Path_]:
    """Paths of the record's keys that the values leave open."""
    return [(*path, key) for key in keys_of(record).values() if key not in values]


def unstated_rules(checks: Mapping[str, Any]) -> list[Path_]:
    """List registered checks, or single limits of them, that the values leave open."""
    missing: list[Path_] = []
    for check, rule_type in RULE_TYPES.items():
        if check in checks:
            missing += unstated(rule_type, checks[check], ("checks", check))
        else:
            missing.append(("checks", check))
    return missing


def frozen(record: type[Record], values: Mapping[str, Any]) -> Record:
    """Give a record from its keys, all of them stated."""
    return record(**{name: _plain(values[key]) for name, key in keys_of(record).items()})


def rule_tables(checks: Mapping[str, Any]) -> dict[str, RuleTable]:
    """Check id -> rules, for every registered check."""
    return {check: _table(rule_type, checks[check]) for check, rule_type in RULE_TYPES.items()}


def _table(rule_type: type[Rule], entry: Mapping[str, Any]) -> RuleTable:
    """Let a role take over whatever it does not state itself."""
    by_role = {
        role: frozen(rule_type, {**entry, **differing})
        for role, differing in entry.get("roles", {}).items()
    }
    return RuleTable(default=frozen(rule_type, entry), by_role=by_role)


def _plain(value: Any) -> Any:
    """``none`` is how a spec writes 'no limit'; lists become tuples."""
    if value == NO_LIMIT:
        return None
    return tuple(value) if isinstance(value, list) else value


def frozen_spec(name: str, content: Mapping[str, Any], warnings: tuple[str, ...]) -> DeliverySpec:
    """Give the record of complete, validated content."""
    parts = {key: frozen(record, content[key]) for key, record in SPEC_PARTS.items()}
    return DeliverySpec(
        name=name,
        title=content["title"],
        purpose=content["purpose"],
        sha256=_content_hash(content),
        rules=rule_tables(content["checks"]),
        warnings=warnings,
        **parts,
    )


def _content_hash(content: Mapping[str, Any]) -> str:
    """sha256 of the resolved content as JSON: keys sorted, no spaces, non-ASCII as it is, UTF-8."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
