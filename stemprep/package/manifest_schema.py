"""JSON Schema (draft 2020-12) of manifest.json."""

from __future__ import annotations

from stemprep.model.facts import FileFacts
from stemprep.model.json_schema import (
    FLAG,
    INTEGER,
    NUMBER,
    SHA256,
    SHA512,
    TEXT,
    Schema,
    array,
    nullable,
    record,
)
from stemprep.model.plan import StartReference
from stemprep.model.record_codec import record_schema
from stemprep.model.words import COMPANION_KINDS, OPERATION_NAMES, ROLES
from stemprep.package.manifest import MANIFEST_VERSION

_FACTS: Schema = {"$ref": "#/$defs/facts"}
_INSIDE: Schema = {"type": "string", "pattern": "^data/"}
_SCALAR: Schema = {"type": ["string", "number", "boolean", "null"]}


def manifest_schema() -> Schema:
    """Describe manifest.json; every field is always there."""
    return record(
        {
            "manifest_version": {"const": MANIFEST_VERSION},
            "stemprep_version": TEXT,
            "made_with": {"type": "object", "additionalProperties": TEXT},
            "package": _package(),
            "spec": record({"name": TEXT, "title": TEXT, "sha256": TEXT}),
            "sheet": nullable({"type": "object"}),
            "start_samples": {"type": "object", "additionalProperties": nullable(INTEGER)},
            "start_references": {
                "type": "object",
                "additionalProperties": record_schema(StartReference),
            },
            "files": array(_file()),
            "documents": array(_document()),
            "companions": array(_companion()),
            "left_out": array(record({"path": TEXT, "reason": TEXT})),
            "waivers": array(_waiver()),
            "repaired": array(record(_finding())),
            "notes": array(TEXT),
        },
        **{
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": "stemprep package manifest",
            "$defs": {"facts": record_schema(FileFacts)},
        },
    )


def _package() -> Schema:
    before = record({"name": TEXT, "number": INTEGER, "tag_manifest_sha256": SHA256})
    amends = record(
        {
            "package": TEXT,
            "reason": TEXT,
            "replaced": array(TEXT),
            "added": array(TEXT),
            "left_out": array(TEXT),
            "is_return": FLAG,
        }
    )
    return record(
        {
            "name": TEXT,
            "delivery": INTEGER,
            "verdict": {"enum": ["pass", "warn", "fail"]},
            "predecessor": nullable(before),
            "history": array(before),
            "amends": nullable(amends),
        }
    )


def _file() -> Schema:
    return record(
        {
            "path": _INSIDE,
            "role": {"enum": list(ROLES)},
            "song": TEXT,
            "made_by_us": FLAG,
            "is_damaged": FLAG,
            "sources": array(_source()),
            "source_channels": array(INTEGER),
            "operations": array(_operation()),
            "track_names": array(TEXT),
            "kept_chunks": array(TEXT),
            "dropped_chunks": array(TEXT),
            "sha256": SHA256,
            "sha512": SHA512,
            "audio_sha256": nullable(SHA256),
            "size_bytes": INTEGER,
            "facts": _FACTS,
            "second_reading": nullable(
                record({"meter": TEXT, "loudness_lufs": nullable(NUMBER), "reason": TEXT})
            ),
        }
    )


def _source() -> Schema:
    return record(
        {
            "path": nullable(TEXT),
            "sha256": nullable(TEXT),
            "audio_sha256": nullable(SHA256),
            "facts": nullable(_FACTS),
        }
    )


def _operation() -> Schema:
    return record(
        {
            "name": {"enum": list(OPERATION_NAMES)},
            "parameters": {"type": "object", "additionalProperties": _SCALAR},
            "reason": TEXT,
            "evidence": TEXT,
        }
    )


def _document() -> Schema:
    return record(
        {"path": _INSIDE, "source": TEXT, "sha256": SHA256, "sha512": SHA512, "size_bytes": INTEGER}
    )


def _companion() -> Schema:
    return record(
        {
            "kind": {"enum": list(COMPANION_KINDS)},
            "path": TEXT,
            "song": TEXT,
            "words": TEXT,
            "made_from": array(TEXT),
        }
    )


def _finding() -> dict[str, Schema]:
    return {
        "check": TEXT,
        "severity": {"enum": ["fail", "warn", "note"]},
        "file": nullable(TEXT),
        "files": array(TEXT),
        "song": nullable(TEXT),
        "found": _SCALAR,
        "is_found_infinite": FLAG,
        "required": _SCALAR,
        "is_required_infinite": FLAG,
        "unit": TEXT,
        "message": TEXT,
    }


def _waiver() -> Schema:
    return record(
        {
            **_finding(),
            "waived_by": nullable(TEXT),
            "reason": nullable(TEXT),
            "audio_sha256": nullable(SHA256),
        }
    )
