"""JSON schemas for editors, drawn from the same classes that validate."""

from __future__ import annotations

import json
from typing import Any, Literal

from pydantic import BaseModel

from stemprep.spec.schema import SpecKeys
from stemprep.spec.schema_service import ServiceKeys
from stemprep.spec.schema_sheet import SheetKeys

Kind = Literal["spec", "sheet", "service"]
SCHEMA_FILES: dict[Kind, str] = {
    "spec": "spec.schema.json",
    "sheet": "session.schema.json",
    "service": "service.schema.json",
}
_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_ROOTS: dict[Kind, type[BaseModel]] = {
    "spec": SpecKeys,
    "sheet": SheetKeys,
    "service": ServiceKeys,
}


def schema_of(kind: Kind) -> dict[str, Any]:
    """See ``stemprep.spec.json_schema``."""
    schema = _tidied(_ROOTS[kind].model_json_schema(by_alias=True))
    schema["$defs"] = {
        name: _with_shorthand(definition) for name, definition in schema.get("$defs", {}).items()
    }
    return {"$schema": _DIALECT, **schema}


def schema_text(kind: Kind) -> str:
    """Give the schema as it stands in ``configs/``."""
    return json.dumps(schema_of(kind), indent=2, ensure_ascii=False) + "\n"


def _tidied(schema: Any) -> Any:
    """Without the defaults that only mean 'left out', and without titles made from keys."""
    if isinstance(schema, list):
        return [_tidied(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: _tidied(value)
        for key, value in schema.items()
        if not (key == "default" and value is None)
        and not (key == "title" and isinstance(value, str))
    }


def _with_shorthand(definition: dict[str, Any]) -> dict[str, Any]:
    """``clutter: note`` is as good as ``clutter: {severity: note}``."""
    severity = definition.get("properties", {}).get("severity")
    return {"anyOf": [severity, definition]} if severity else definition
