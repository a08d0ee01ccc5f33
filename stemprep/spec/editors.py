"""JSON schemas for editors, drawn from the same keys that the reader goes by."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, Literal

from stemprep.model.definition import ItemCount, Range, TextForm
from stemprep.spec.keys import service_keys, sheet_keys, spec_keys
from stemprep.spec.shapes import Keys, Shape

Schema = dict[str, Any]
Kind = Literal["spec", "sheet", "service"]
SCHEMA_FILES: dict[Kind, str] = {
    "spec": "spec.schema.json",
    "sheet": "session.schema.json",
    "service": "service.schema.json",
}
_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_ROOTS: dict[Kind, Callable[[], Keys]] = {
    "spec": spec_keys,
    "sheet": sheet_keys,
    "service": service_keys,
}
_TYPES = {"number": "number", "integer": "integer", "flag": "boolean"}


def schema_of(kind: Kind) -> Schema:
    """See ``stemprep.spec.json_schema``."""
    definitions: dict[str, Schema] = {}
    root = _mapping(_ROOTS[kind](), definitions)
    return {"$schema": _DIALECT, "$defs": dict(sorted(definitions.items())), **root}


def schema_text(kind: Kind) -> str:
    """Give the schema as it stands in ``configs/``."""
    return json.dumps(schema_of(kind), indent=2, ensure_ascii=False) + "\n"


def _mapping(keys: Keys, definitions: dict[str, Schema]) -> Schema:
    schema: Schema = {
        "additionalProperties": False,
        "description": keys.description,
        "properties": {key: _property(shape, definitions) for key, shape in keys.shapes.items()},
        "type": "object",
    }
    return schema | ({"required": list(keys.required)} if keys.required else {})


def _property(shape: Shape, definitions: dict[str, Schema]) -> Schema:
    """Give the schema of one key, explained."""
    schema = _schema(shape, definitions)
    if shape.key is None:
        return schema
    explained: Schema = {"description": shape.key.meaning}
    if shape.key.example is not None:
        explained["examples"] = [shape.key.example]
    return schema | explained


def _schema(shape: Shape, definitions: dict[str, Schema]) -> Schema:
    if shape.keys is not None:
        return _reference(shape.keys, definitions)
    if shape.kind == "table":
        assert shape.item is not None
        return {
            "additionalProperties": _schema(shape.item, definitions),
            "propertyNames": {"enum": list(shape.words)},
            "type": "object",
        }
    if shape.kind == "word":
        if shape.notations is not None:
            both = shape.notations
            return {"enum": list(both.values), "type": list(both.json_types)}
        return {"enum": list(shape.words), "type": "string"}
    value = _list(shape, definitions) if shape.kind == "list" else _value(shape)
    if not shape.words:
        return value
    return {"anyOf": [value, {"enum": list(shape.words), "type": "string"}]}


def _reference(keys: Keys, definitions: dict[str, Schema]) -> Schema:
    """Put a mapping among the definitions; ``clutter: note`` is as good as a mapping there."""
    if keys.name not in definitions:
        definitions[keys.name] = {}
        schema = _mapping(keys, definitions)
        short = keys.shorthand
        definitions[keys.name] = (
            {"anyOf": [schema["properties"][short], schema]} if short else schema
        )
    return {"$ref": f"#/$defs/{keys.name}"}


def _list(shape: Shape, definitions: dict[str, Schema]) -> Schema:
    assert shape.item is not None
    schema: Schema = {"items": _schema(shape.item, definitions), "type": "array"}
    for count in shape.constraints:
        if isinstance(count, ItemCount):
            schema |= {"minItems": count.low} if count.low else {}
            schema |= {} if count.high is None else {"maxItems": count.high}
            schema |= {"type": ["array", "string"]} if count.takes_one else {}
    return schema


def _value(shape: Shape) -> Schema:
    schema: Schema = {"type": _TYPES.get(shape.kind, "string")}
    for constraint in shape.constraints:
        if isinstance(constraint, Range):
            low = "exclusiveMinimum" if constraint.is_low_open else "minimum"
            schema |= {low: constraint.low, "maximum": constraint.high}
        elif isinstance(constraint, TextForm):
            types = constraint.json_types
            schema |= {"minLength": 1, "type": types[0] if len(types) == 1 else list(types)}
            if constraint.max_length is not None:
                schema["maxLength"] = constraint.max_length
            if constraint.pattern is not None:
                schema["pattern"] = f"^{constraint.pattern}$"
    return schema
