"""Facts as strict JSON, RFC 8259: read back by the standard library, nothing but its grammar."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.model.record_codec import encode_record, rounded
from stemprep.model.strict_json import dumps
from tests.package import records

PLAIN = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False)
TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=8)
VALUES = st.recursive(
    PLAIN | TEXT,
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(TEXT, inner, max_size=5),
    max_leaves=30,
)


@given(VALUES)
def test_any_value_reads_back(value: object) -> None:
    text = dumps(value)
    assert json.loads(text) == value
    assert text.endswith("\n")


def test_keys_are_sorted_whatever_their_order() -> None:
    assert dumps({"b": 1, "a": [1, [2, 3]]}) == dumps({"a": (1, (2, 3)), "b": 1})


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_json_lacks_is_refused(value: float) -> None:
    """RFC 8259, section 6: infinity and NaN are not permitted."""
    with pytest.raises(ValueError, match="JSON"):
        dumps({"a": [value]})


def test_a_key_that_is_no_text_is_refused() -> None:
    with pytest.raises(TypeError, match="keys"):
        dumps({1: "a"})


def test_bytes_of_a_name_that_are_not_utf_8() -> None:
    name = b"Caf\xe9.wav".decode("utf-8", "surrogateescape")
    assert json.loads(dumps({"name": name})) == {"name": r"Caf\xE9.wav"}
    dumps({"name": name}).encode("utf-8")


def test_contract_fields_and_rounding() -> None:
    facts = encode_record(records.facts())
    assert facts["container"] == "WAV"
    assert facts["sample_peak_dbfs"] == -6.0206
    assert facts["is_sample_peak_dbfs_infinite"] is False
    assert facts["loudness_lufs"] == -20.1235
    assert facts["clip_runs"]["runs"] == [[1, 10, 14]]
    assert facts["time_reference_samples"] == 172_800_000
    assert facts["dc_offset"] == [0.0, 1.25e-7]
    assert facts["channel_peaks_dbfs"] == [-6.0206, None]
    assert facts["is_channel_peaks_dbfs_infinite"] == [False, True]


def test_silence_is_null_with_its_flag() -> None:
    facts = encode_record(records.facts(-math.inf))
    assert facts["sample_peak_dbfs"] is None
    assert facts["is_sample_peak_dbfs_infinite"] is True
    assert facts["max_momentary_lufs"] is None
    assert facts["is_max_momentary_lufs_infinite"] is True
    assert facts["max_short_term_lufs"] is None  # too short, which is not silence
    assert facts["is_max_short_term_lufs_infinite"] is False
    dumps(facts)


def test_a_file_without_sound_has_the_same_fields() -> None:
    assert encode_record(records.unreadable_facts()).keys() == encode_record(records.facts()).keys()
    assert encode_record(records.unreadable_facts())["sample_peak_dbfs"] is None


@pytest.mark.parametrize("value", [-0.0, -0.00001])
def test_no_negative_zero(value: float) -> None:
    assert str(rounded(value)) == "0.0"


def test_contract_names_all_there() -> None:
    """The field names that scripts may rely on."""
    named = {
        "container", "encoding", "sample_rate_hz", "channels", "frames", "bit_depth",
        "effective_bit_depth", "sample_peak_dbfs", "true_peak_dbtp", "true_peak_filter",
        "loudness_lufs", "loudness_range_lu", "max_momentary_lufs", "max_short_term_lufs",
        "rms_dbfs", "dc_offset", "time_reference_samples", "clip_runs",
    }  # fmt: skip
    facts = encode_record(records.facts())
    assert named <= facts.keys()
    assert {"count", "samples", "longest", "runs", "is_capped"} == facts["clip_runs"].keys()
