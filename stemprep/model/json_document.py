"""Records that are published as JSON documents, each with a version and a schema."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any, TypeVar

from stemprep.model.record_codec import Json, Schema, encode_record, record_schema
from stemprep.model.strict_json import dumps

Wider = TypeVar("Wider")


@dataclass(frozen=True, slots=True, kw_only=True)
class JsonDocument:
    """One kind of document.

    record: what it writes; its schema_version stands beside the fields.
    shared: records that the schema describes once, by name.
    """

    kind: str
    record: type[Any]
    title: str
    description: str = ""
    version: int = 1
    shared: Mapping[str, type[Any]] = field(default_factory=dict)

    def values(self, record: Any) -> Json:
        """Give a record as plain values."""
        return {"schema_version": self.version, **encode_record(record)}

    def text(self, record: Any) -> str:
        """Write a record as strict JSON: the same record gives the same bytes."""
        return dumps(self.values(record))

    def schema(self) -> Schema:
        """Describe the document (JSON Schema, draft 2020-12); every field is always there."""
        schema = record_schema(self.record)
        properties = {"schema_version": {"const": self.version}, **schema["properties"]}
        shared = {name: record_schema(kind) for name, kind in self.shared.items()}
        schema |= {"properties": properties, "required": sorted(properties)}
        about = {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$id": f"urn:stemprep:{self.kind}:{self.version}",
            "title": self.title,
            **({"description": self.description} if self.description else {}),
            **({"$defs": shared} if shared else {}),
        }
        return {**_with_references(schema, shared), **about}


def _with_references(schema: Any, shared: Mapping[str, Schema]) -> Any:
    """Name what is described once, wherever it stands."""
    if isinstance(schema, list):
        return [_with_references(each, shared) for each in schema]
    if not isinstance(schema, dict):
        return schema
    name = next((name for name, each in shared.items() if each == schema), None)
    if name is not None:
        return {"$ref": f"#/$defs/{name}"}
    return {key: _with_references(value, shared) for key, value in schema.items()}


def widened(kind: type[Wider], record: Any, **others: Any) -> Wider:
    """Give a record of another kind with the fields that it shares with ``record``, and others."""
    assert is_dataclass(kind)
    shared = (each.name for each in fields(kind) if each.name not in others)
    return kind(**{name: getattr(record, name) for name in shared}, **others)
