"""JSON Schema (draft 2020-12) of what ``reconcile --json`` writes."""

from __future__ import annotations

from typing import get_args

from stemprep.model.json_schema import FLAG, INTEGER, NUMBER, TEXT, Schema, array, nullable, record
from stemprep.model.reconciliation import (
    MatchedBy,
    OriginalStatus,
    Placing,
    RegionKind,
    SpeedCause,
    SpeedEvidence,
)
from stemprep.model.sheet import Use
from stemprep.model.words import ROLES, Encoding
from stemprep.report.return_record import SCHEMA_VERSION
from stemprep.report.schema import finding_schema, output_schema

_COUNT: Schema = {"type": "integer", "minimum": 0}
_DESCRIPTION = (
    "What came back of a delivery. Samples are 0-based, ends exclusive. Regions count in samples "
    "of the original at its own rate, those of the kind 'padded' in samples of the returned file. "
    "A region with is_added_silence is missing, and was nothing but silence that the package had "
    "added; an original that has no other regions is the same sound, and its status says so. "
    "start_sample and late_samples of new files count on the session's timeline, from its common "
    "start, at the session's rate; a late file is positive. Paths of originals are relative to "
    "the package, all others to the return."
)


def reconciliation_schema() -> Schema:
    """Describe the record; every field is always there."""
    return record(
        {
            "schema_version": {"const": SCHEMA_VERSION},
            "stemprep_version": TEXT,
            "spec": TEXT,
            "package": TEXT,
            "delivery": INTEGER,
            "returned": TEXT,
            "originals": array(_original()),
            "new_files": array(_new_file()),
            "recording_offset": nullable(record({"samples": INTEGER, "files": array(TEXT)})),
            "given_back": array(TEXT),
            "list_file": TEXT,
            "listed_not_there": array(TEXT),
            "findings": array({"$ref": "#/$defs/finding"}),
            "repaired": array({"$ref": "#/$defs/finding"}),
            "accepted": nullable(TEXT),
            "taken": array(record({"file": TEXT, "output": output_schema()})),
            "notes": array(TEXT),
        },
        **{
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$id": f"urn:stemprep:reconciliation:{SCHEMA_VERSION}",
            "title": "stemprep reconciliation",
            "description": _DESCRIPTION,
            "$defs": {"finding": finding_schema()},
        },
    )


def _original() -> Schema:
    region = {
        "start_sample": _COUNT,
        "end_sample": _COUNT,
        "kind": {"enum": list(get_args(RegionKind))},
        "gain_db": nullable(NUMBER),
        "moved_samples": nullable(INTEGER),
        "words": TEXT,
        "is_added_silence": FLAG,
    }
    return record(
        {
            "file": TEXT,
            "source": TEXT,
            "song": TEXT,
            "returned_as": nullable(TEXT),
            "status": {"enum": list(get_args(OriginalStatus))},
            "matched": {"enum": list(get_args(MatchedBy))},
            "is_renamed": FLAG,
            "copies": array(TEXT),
            "ordered": array(TEXT),
            "is_another_recording": FLAG,
            "told_sample_rate_hz": nullable(_COUNT),
            "header_words": array(TEXT),
            "lossy_copies": array(TEXT),
            "sample_rate_hz": nullable(_COUNT),
            "regions": array(record(region)),
        }
    )


def _new_file() -> Schema:
    return record(
        {
            "file": TEXT,
            "song": TEXT,
            "role": {"enum": list(ROLES)},
            "sample_rate_hz": _COUNT,
            "bit_depth": _COUNT,
            "encoding": {"enum": list(get_args(Encoding))},
            "channels": _COUNT,
            "frames": _COUNT,
            "session_sample_rate_hz": nullable(_COUNT),
            "start_sample": nullable(INTEGER),
            "late_samples": nullable(INTEGER),
            "placed_by": {"enum": list(get_args(Placing))},
            "evidence": TEXT,
            "confidence": NUMBER,
            "derived_from": nullable(TEXT),
            "leak_db": nullable(NUMBER),
            "use": nullable({"enum": list(get_args(Use))}),
            "listed": nullable(
                record(
                    dict.fromkeys(
                        ("part", "player", "take", "microphone", "printed_with", "notes"), TEXT
                    )
                )
            ),
            "speed": nullable(
                record(
                    {
                        "ratio": NUMBER,
                        "error_ppm": NUMBER,
                        "cause": {"enum": list(get_args(SpeedCause))},
                        "evidence": {"enum": list(get_args(SpeedEvidence))},
                    }
                )
            ),
            "advice": TEXT,
        }
    )
