"""JSON Schema (draft 2020-12) of what ``compare --json`` writes."""

from __future__ import annotations

from stemprep.lineage import CHANGE_KINDS
from stemprep.model.json_schema import FLAG, INTEGER, NUMBER, TEXT, Schema, array, nullable, record
from stemprep.report.comparison import SCHEMA_VERSION

_DESCRIPTION = (
    "What changed from an old package to a new one. Paths are below data/, 'was' in the old "
    "package, 'path' in the new one (of a removed file, in the old one). gain_db is new minus "
    "old. moved_samples is positive for later: on the timeline where both files have a time "
    "reference, else in the file; 0 where only the file begins elsewhere."
)
_SCALAR: Schema = {"type": ["string", "number", "boolean", "null"]}


def comparison_schema() -> Schema:
    """Describe the record; every field is always there."""
    package = record(
        {
            "name": TEXT,
            "delivery": INTEGER,
            "verdict": {"enum": ["pass", "warn", "fail"]},
            "files": INTEGER,
        }
    )
    fact = record({"name": TEXT, "old": _SCALAR, "new": _SCALAR})
    document = record({"path": TEXT, "kind": {"enum": ["added", "removed", "changed"]}})
    return record(
        {
            "schema_version": {"const": SCHEMA_VERSION},
            "is_same": FLAG,
            "is_successor": FLAG,
            "old": package,
            "new": package,
            "files_unchanged": INTEGER,
            "files": array(_file(fact)),
            "documents": array(document),
            "facts": array(fact),
        },
        **{
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$id": f"urn:stemprep:comparison:{SCHEMA_VERSION}",
            "title": "stemprep comparison of two packages",
            "description": _DESCRIPTION,
        },
    )


def _file(fact: Schema) -> Schema:
    return record(
        {
            "path": TEXT,
            "was": nullable(TEXT),
            "kinds": {"type": "array", "items": {"enum": list(CHANGE_KINDS)}, "minItems": 1},
            "made_by_us": FLAG,
            "gain_db": nullable(NUMBER),
            "moved_samples": nullable(INTEGER),
            "peak_change_db": nullable(NUMBER),
            "loudness_change_lu": nullable(NUMBER),
            "facts": array(fact),
        }
    )
