"""JSON Schema (draft 2020-12) of what ``facts_to_json`` writes; report and manifest share it."""

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


def start_reference_schema() -> Schema:
    """Describe where bar 1 lies in the files of a song, as ``StartReference`` says it."""
    return record(
        {
            "rate_hz": INTEGER,
            "bar_1_samples": nullable(INTEGER),
            "start_samples": nullable(INTEGER),
            "start_bar": nullable(TEXT),
            "is_on_bar_line": FLAG,
            "start_timecode": nullable(TEXT),
            "start_timecode_samples": INTEGER,
            "bar_1_timecode": nullable(TEXT),
            "frame_rate": nullable(TEXT),
            "unknown": TEXT,
        }
    )


def facts_schema() -> Schema:
    """Describe the facts of one file; fields that need sound are null without it."""
    return record(
        {
            **_header(),
            **{name: nullable(schema) for name, schema in (_levels() | _sound()).items()},
        }
    )


def _header() -> dict[str, Schema]:
    return {
        "container": nullable(TEXT),
        "encoding": nullable(TEXT),
        "sample_rate_hz": nullable(INTEGER),
        "channels": nullable(INTEGER),
        "bit_depth": nullable(INTEGER),
        "container_bits": nullable(INTEGER),
        "channel_mask": nullable(INTEGER),
        "frames": INTEGER,
        "declared_frames": nullable(INTEGER),
        "size_bytes": INTEGER,
        "time_reference_samples": nullable(INTEGER),
        "header_faults": array(_fault()),
        "metadata": record(
            {
                "bext": nullable({"type": "object"}),
                "ixml": nullable({"type": "object"}),
                "cues": array({"type": "object"}),
                "info": array(array(TEXT)),
                "chunks": array({"type": "object"}),
            }
        ),
    }


def _fault() -> Schema:
    words = ("check", "code", "severity", "found", "required", "message", "advice")
    return record(
        {
            **dict.fromkeys(words, TEXT),
            "start_sample": nullable(INTEGER),
            "repair": nullable(TEXT),
        }
    )


def _levels() -> dict[str, Schema]:
    figures = (
        "sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "max_momentary_lufs",
        "max_short_term_lufs", "loudness_lufs", "loudness_range_lu", "crest_factor_db",
    )  # fmt: skip
    flagged = figures[:5]
    channels = ("channel_peaks_dbfs", "channel_rms_dbfs")
    return {
        **dict.fromkeys(figures, NUMBER),
        **{f"is_{name}_infinite": FLAG for name in flagged},
        **dict.fromkeys(channels, array(nullable(NUMBER))),
        **{f"is_{name}_infinite": array(FLAG) for name in channels},
        "dc_offset": array(nullable(NUMBER)),
    }


def _sound() -> dict[str, Schema]:
    counts = (
        "sample_peak_channel", "sample_peak_sample", "samples_at_full_scale",
        "samples_over_full_scale", "effective_bit_depth",
    )  # fmt: skip
    return {
        **dict.fromkeys(counts, INTEGER),
        "true_peak_filter": TEXT,
        "words_read_as": TEXT,
        "is_loudness_range_meaningful": FLAG,
        "loudness_reason": TEXT,
        "clip_runs": record(_runs()),
        "flat_tops": record({**_runs(), "level_dbfs": nullable(NUMBER)}),
        "silence": record(
            {
                "threshold_dbfs": nullable(NUMBER),
                "is_threshold_dbfs_infinite": FLAG,
                "leading_samples": INTEGER,
                "trailing_samples": INTEGER,
                "stretches": array(array(INTEGER)),
                "is_digital_silence": FLAG,
                **_flagged("edge_threshold_dbfs"),
                "edge_leading_samples": INTEGER,
                "edge_trailing_samples": INTEGER,
            }
        ),
        "pauses": _pauses(),
        "bandwidth": record({"ends_like_rate_hz": nullable(INTEGER), "drop_db": nullable(NUMBER)}),
        "stereo": record(
            {
                "correlation": nullable(NUMBER),
                "is_identical": FLAG,
                **_flagged("difference_peak_dbfs"),
                **_flagged("mono_sum_change_db"),
                "out_of_phase_share": nullable(NUMBER),
                "lasting_correlation": nullable(NUMBER),
            }
        ),
        **_transients(),
        "non_finite": record(
            {
                "count": INTEGER,
                "first_channel": nullable(INTEGER),
                "first_sample": nullable(INTEGER),
            }
        ),
    }


def _transients() -> dict[str, Schema]:
    runs = record(_runs())
    places = record(
        {
            **dict.fromkeys(("channel", "start", "end"), INTEGER),
            "height_db": nullable(NUMBER),
            "sigmas": nullable(NUMBER),
            "recurrences": INTEGER,
        }
    )
    edge = record({"channel": INTEGER, **_flagged("level_dbfs"), "is_abrupt": FLAG})
    return {
        "holes": runs,
        "regular_holes": runs,
        "repeats": runs,
        "clicks": record(
            {
                "count": INTEGER,
                "places": {**array(places), "maxItems": 10_000},
                "is_capped": FLAG,
                "searched_share": NUMBER,
            }
        ),
        "head": edge,
        "tail": edge,
    }


def _pauses() -> Schema:
    hum = record(
        {
            "mains_hz": INTEGER,
            "channel": INTEGER,
            "level_dbfs": nullable(NUMBER),
            "partials_hz": array(INTEGER),
        }
    )
    return record(
        {
            "noise_floor_dbfs": nullable(NUMBER),
            "channel": INTEGER,
            "range_db": nullable(NUMBER),
            "hum": nullable(hum),
        }
    )


def _runs() -> dict[str, Schema]:
    return {
        "count": INTEGER,
        "samples": INTEGER,
        "longest": INTEGER,
        "runs": {**array(array(INTEGER)), "maxItems": 10_000},
        "is_capped": FLAG,
    }


def _flagged(name: str) -> dict[str, Schema]:
    return {name: nullable(NUMBER), f"is_{name}_infinite": FLAG}
