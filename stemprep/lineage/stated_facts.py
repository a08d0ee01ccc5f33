"""What two packages tell of the session: fields of the sheet, the spec, where songs begin."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from stemprep.lineage.records import Manifest
from stemprep.model.record_codec import EXACT
from stemprep.model.sheet import SessionSheet

Value = str | int | float | bool | None

_NOT_COMPARED = frozenset({"sha256", "warnings", "delivery", "correction", "tempo_read"})
"""Fields that differ by their nature, or that tell again what others tell."""
_NAMES = ("title", "pattern", "check", "name", "bar")
"""What an entry of a list is called by, in this order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FactChange:
    """One fact that moved: what it is called, its old value, its new one; None: not said."""

    name: str
    old: Annotated[Value, EXACT]
    new: Annotated[Value, EXACT]


def changed_values(values: Iterable[tuple[str, Value, Value]]) -> list[FactChange]:
    """Of (name, old, new) those that differ."""
    return [FactChange(name=name, old=old, new=new) for name, old, new in values if old != new]


def changed_facts(old: Manifest, new: Manifest) -> tuple[FactChange, ...]:
    """Facts of the session that moved, in the order of their names."""
    before, after = _stated(old), _stated(new)
    names = sorted(before.keys() | after.keys())
    return tuple(changed_values((name, before.get(name), after.get(name)) for name in names))


def _stated(manifest: Manifest) -> dict[str, Value]:
    stated: dict[str, Value] = {"spec": manifest.spec_name, "spec_sha256": manifest.spec_sha256}
    for song, start in manifest.start_samples.items():
        stated[f"start_samples[{song}]" if song else "start_samples"] = start
    sheet = dataclasses.asdict(manifest.sheet or SessionSheet())
    stated.update(_flat("", {key: sheet[key] for key in sheet if key not in _NOT_COMPARED}))
    return {name: value for name, value in stated.items() if value is not None}


def _flat(name: str, value: Any) -> Iterator[tuple[str, Value]]:
    """Yield every plain value of nested records under a name that leads to it."""
    if isinstance(value, Mapping):
        for key, item in value.items():
            if key not in _NOT_COMPARED:
                yield from _flat(f"{name}.{key}" if name else str(key), item)
    elif isinstance(value, Sequence) and not isinstance(value, str):
        if not any(isinstance(item, Mapping) for item in value):
            if value:
                yield name, ", ".join(map(str, value))
            return
        seen: dict[str, int] = {}
        for item in value:
            called = _called(item)
            seen[called] = seen.get(called, 0) + 1
            number = f" {seen[called]}" if seen[called] > 1 else ""
            yield from _flat(f"{name}[{called}{number}]", item)
    else:
        yield name, value


def _called(item: Any) -> str:
    """The name of a list's entry; a waiver goes by check and file."""
    if not isinstance(item, Mapping):
        return str(item)
    name = next((item[key] for key in _NAMES if item.get(key) is not None), "")
    return f"{name}, {item['file']}" if "check" in item and "file" in item else str(name)
