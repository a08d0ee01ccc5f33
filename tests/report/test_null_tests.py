from __future__ import annotations

import json
import math
from dataclasses import replace

import jsonschema

from stemprep.model.null_test import NullCause, NullTest, UntestedSum
from stemprep.model.record_codec import encode_record, record_schema
from stemprep.model.strict_json import dumps
from stemprep.report.null_tests import (
    null_line,
    untested_mixes,
)

TEST = NullTest(
    song="Dawn",
    folder="",
    reference="MIX.wav",
    stems=("a.wav", "b.wav"),
    sample_rate_hz=48_000,
    frames=480_000,
    gain_db=-3.1,
    sum_peak_dbfs=1.2,
    residual_peak_dbfs=-128.93,
    residual_rms_dbfs=-141.03,
    limit_peak_dbfs=-118.0,
    limit_rms_dbfs=-133.0,
    verdict="word-length",
    residual_over_time_dbfs=(-130.0, -math.inf, -128.93),
    left_out=(("click.wav", "click"),),
)


def test_a_line_tells_residual_gain_and_what_was_left_out() -> None:
    line = null_line(TEST)
    assert line.startswith("2 stems add up to the mix, all -3.10 dB in the mix: residual -128.9")
    assert "peak, which rounding alone can leave (" in line
    assert line.endswith("(mix MIX.wav; stems a.wav, b.wav); 1 other file not summed")
    halves = replace(TEST, parts="alternate-mixes")
    assert null_line(halves).startswith("2 alternate mixes add up to the mix")
    assert "exactly" in null_line(replace(TEST, verdict="exact", residual_peak_dbfs=-math.inf))
    loud = null_line(replace(TEST, verdict="not"))
    assert "do not add up" in loud
    assert "rounding" not in loud


def test_older_mixes_are_named_as_not_tested() -> None:
    assert untested_mixes([TEST]) == ""
    older = replace(TEST, left_out=(("MIX v1.wav", "mix"), ("click.wav", "click")))
    assert untested_mixes([older]) == "not tested: MIX v1.wav; the stems belong to MIX.wav"
    assert untested_mixes([older, replace(TEST, reference="MIX v1.wav")]) == ""


def test_json_is_strict_and_as_described() -> None:
    cause = NullCause(
        kind="pan",
        file="a.wav",
        channel_gains_db=(None, 1.5),
        alternatives=(NullCause(kind="level", file="b.wav", gain_db=0.5),),
        confidence=0.5,
    )
    silent = replace(TEST, residual_peak_dbfs=-math.inf, residual_rms_dbfs=-math.inf)
    for test in (TEST, silent, replace(TEST, verdict="not", causes=(cause,))):
        jsonschema.validate(json.loads(dumps(encode_record(test))), record_schema(NullTest))
    told = encode_record(silent)
    assert (told["residual_peak_dbfs"], told["is_residual_peak_dbfs_infinite"]) == (None, True)


def test_what_could_not_be_summed_is_as_described() -> None:
    untested = UntestedSum(
        song="Dawn", reference="MIX.wav", stems=("a.wav",), odd=("a.wav",), obstacle="sample-rate"
    )
    jsonschema.validate(json.loads(dumps(encode_record(untested))), record_schema(UntestedSum))
