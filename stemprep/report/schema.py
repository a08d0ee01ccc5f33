"""JSON Schema (draft 2020-12) of the JSON report."""

from __future__ import annotations

from typing import get_args

from stemprep.model.facts import FileFacts
from stemprep.model.finding import MAX_WORST
from stemprep.model.json_schema import (
    FLAG,
    INTEGER,
    SHA256,
    TEXT,
    Schema,
    array,
    nullable,
    record,
)
from stemprep.model.plan import StartReference
from stemprep.model.record_codec import record_schema
from stemprep.model.session import EntryKind
from stemprep.model.words import OPERATION_NAMES, ROLES, Container, Encoding, Severity, Verdict
from stemprep.report.mic_pairs import mic_pair_schema
from stemprep.report.null_tests import null_test_schema, untested_sum_schema

SCHEMA_VERSION = 1

_COUNT: Schema = {"type": "integer", "minimum": 0}
_CHANNEL: Schema = {"type": "integer", "minimum": 1}
_TEXTS = array(TEXT)
_PATHS: Schema = {**array(TEXT), "uniqueItems": True}
_VERDICT: Schema = {"enum": list(get_args(Verdict))}
_ROLE: Schema = {"enum": list(ROLES)}
_OPERATION: Schema = {"enum": list(OPERATION_NAMES)}
_FIGURE: Schema = {"type": ["number", "string", "null"]}
_DESCRIPTION = (
    "What one drop was found to be, judged against one spec. Samples are 0-based, ends exclusive, "
    "at the file's own rate; channels count from 1; paths are relative to the drop with '/'. "
    "Inside a zip 'file' and 'path' are the zip and 'entry' the inner name; set_facts and plan "
    "speak of inner names. An infinite figure is null and its is_..._infinite is true. Levels "
    "have 4 decimals, found and required 6, ratios 9."
)


def report_schema() -> Schema:
    """Describe the report; every field is always there."""
    return record(
        {
            "schema_version": {"const": SCHEMA_VERSION},
            "stemprep_version": TEXT,
            "spec": record({"name": TEXT, "title": TEXT, "sha256": SHA256}),
            "session": _session(),
            "verdict": _VERDICT,
            "songs": array(record({"song": TEXT, "verdict": _VERDICT})),
            "files": array(_file()),
            "set_facts": _set_facts(),
            "findings": array({"$ref": "#/$defs/finding"}),
            "repaired": array({"$ref": "#/$defs/finding"}),
            "plan": nullable(_plan()),
            "package": nullable(TEXT),
            "notes": _TEXTS,
        },
        **{
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$id": f"urn:stemprep:report:{SCHEMA_VERSION}",
            "title": "stemprep report",
            "description": _DESCRIPTION,
            "$defs": {"facts": record_schema(FileFacts), "finding": finding_schema()},
        },
    )


def _session() -> Schema:
    other = {
        "path": TEXT,
        "entry": nullable(TEXT),
        "kind": {"enum": [kind for kind in get_args(EntryKind) if kind != "audio"]},
        "size_bytes": _COUNT,
        "reason": TEXT,
    }
    return record(
        {
            "name": TEXT,
            "archive": nullable(TEXT),
            "artist": nullable(TEXT),
            "title": nullable(TEXT),
            "delivery": nullable(INTEGER),
            "sheet_sha256": nullable(TEXT),
            "songs": _TEXTS,
            "other_entries": array(record(other)),
            "unmatched": _TEXTS,
        }
    )


def _file() -> Schema:
    """Describe one audio file; sha256 is empty only where it could not be opened at all."""
    return record(
        {
            "path": TEXT,
            "entry": nullable(TEXT),
            "sha256": {"anyOf": [SHA256, {"const": ""}]},
            "audio_sha256": nullable(SHA256),
            "role": _ROLE,
            "role_evidence": TEXT,
            "song": TEXT,
            "facts": {"$ref": "#/$defs/facts"},
        }
    )


def _set_facts() -> Schema:
    """Describe the set; what is not measured is absent, so further fields may stand here."""
    song = {
        "song": TEXT,
        "files": _COUNT,
        "sample_rates_hz": array(_COUNT),
        "bit_depths": array(_COUNT),
        "sample_rate_hz": nullable(_COUNT),
        "bit_depth": nullable(_COUNT),
        "start_samples": nullable(INTEGER),
        "frames": nullable(_COUNT),
        "roles": {"type": "object", "propertyNames": _ROLE, "additionalProperties": _COUNT},
    }
    return record(
        {
            "duplicates": array({**array(TEXT), "minItems": 2}),
            "pairs": array(record({"left": TEXT, "right": TEXT})),
            "songs": array(record(song)),
            "null_tests": array(null_test_schema()),
            "untested_sums": array(untested_sum_schema()),
            "mic_pairs": array(mic_pair_schema()),
            "unclear_mic_pairs": array(record({"reference": TEXT, "file": TEXT})),
        },
        additionalProperties=True,
    )


def finding_schema() -> Schema:
    """Describe one finding."""
    spot = record({"channel": nullable(_CHANNEL), "start_sample": _COUNT, "end_sample": _COUNT})
    occurrences = record({"count": _CHANNEL, "worst": {**array(spot), "maxItems": MAX_WORST}})
    return record(
        {
            "check": {"type": "string", "pattern": "^[a-z0-9]+(-[a-z0-9]+)*$"},
            "severity": {"enum": list(get_args(Severity))},
            "file": nullable(TEXT),
            "entry": nullable(TEXT),
            "files": _PATHS,
            "entries": _PATHS,
            "against": _PATHS,
            "against_entries": _PATHS,
            "song": nullable(TEXT),
            "channel": nullable(_CHANNEL),
            "start_sample": nullable(_COUNT),
            "end_sample": nullable(_COUNT),
            "start_bar": nullable(TEXT),
            "occurrences": nullable(occurrences),
            "found": _FIGURE,
            "is_found_infinite": FLAG,
            "required": _FIGURE,
            "is_required_infinite": FLAG,
            "unit": TEXT,
            "message": TEXT,
            "advice": TEXT,
            "repair": nullable(_OPERATION),
            "waived_by": nullable(TEXT),
            "waiver_reason": nullable(TEXT),
        }
    )


def _plan() -> Schema:
    repair = {"check": TEXT, "file": TEXT, "operation": _OPERATION}
    return record(
        {
            "outputs": array(output_schema()),
            "documents": array(record({"source": TEXT, "path": TEXT})),
            "left_out": array(record({"path": TEXT, "reason": TEXT})),
            "repairs": array(record(repair)),
            "start_samples": {"type": "object", "additionalProperties": nullable(INTEGER)},
            "start_references": {
                "type": "object",
                "additionalProperties": record_schema(StartReference),
            },
            "notes": _TEXTS,
        }
    )


def output_schema() -> Schema:
    """Describe one planned file."""
    plain: Schema = {"type": ["string", "number", "boolean", "null"]}
    step = {
        "name": _OPERATION,
        "parameters": {"type": "object", "additionalProperties": plain},
        "reason": TEXT,
        "evidence": TEXT,
    }
    format_ = {
        "container": {"enum": list(get_args(Container))},
        "encoding": {"enum": list(get_args(Encoding))},
        "sample_rate_hz": _COUNT,
        "channels": _COUNT,
        "bit_depth": _COUNT,
    }
    return record(
        {
            "path": TEXT,
            "sources": array(TEXT),
            "source_channels": array(_CHANNEL),
            "role": _ROLE,
            "song": TEXT,
            "format": nullable(record(format_)),
            "frames": _COUNT,
            "operations": array(record(step)),
            "dropped_chunks": _TEXTS,
            "is_damaged": FLAG,
        }
    )
