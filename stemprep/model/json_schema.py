"""Words for JSON Schemas (draft 2020-12) of what reports and manifests write."""

from __future__ import annotations

from typing import Any

Schema = dict[str, Any]

NUMBER: Schema = {"type": "number"}
INTEGER: Schema = {"type": "integer"}
TEXT: Schema = {"type": "string"}
FLAG: Schema = {"type": "boolean"}
SHA256: Schema = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
SHA512: Schema = {"type": "string", "pattern": "^[0-9a-f]{128}$"}


def nullable(schema: Schema) -> Schema:
    """Allow null beside what the schema allows."""
    return {"anyOf": [schema, {"type": "null"}]}


def array(items: Schema) -> Schema:
    """Describe a list of alike things."""
    return {"type": "array", "items": items}


def record(fields: dict[str, Schema], **more: Any) -> Schema:
    """Describe an object that has exactly these fields, all of them."""
    return {
        "type": "object",
        "properties": fields,
        "required": sorted(fields),
        "additionalProperties": False,
        **more,
    }
