"""How reports tell a null test: as plain values, in one line, and as a picture over time."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

from stemprep.model.json_schema import (
    FLAG,
    INTEGER,
    NUMBER,
    TEXT,
    Schema,
    array,
    nullable,
    record,
)
from stemprep.model.null_test import (
    CauseKind,
    NullCause,
    NullTest,
    NullVerdict,
    Obstacle,
    Placement,
    SummedParts,
    UntestedSum,
)
from stemprep.model.record_codec import Json, rounded
from stemprep.model.strict_json import figure
from stemprep.report import figures
from stemprep.units import clock_from_samples

WIDTH, HEIGHT = 900.0, 90.0
TOP_DBFS, BOTTOM_DBFS = 0.0, -150.0
_LAG_DECIMALS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ResidualPicture:
    """Geometry of one picture: the residual's path, the line of its limit, lengths in SVG units."""

    title: str
    words: str
    path: str
    limit_y: float
    lines: tuple[tuple[float, str], ...]
    end_label: str
    width: float = WIDTH
    height: float = HEIGHT


def null_test_json(test: NullTest) -> Json:
    """Give a null test as plain values."""
    return {
        "song": test.song,
        "folder": test.folder,
        "reference": test.reference,
        "stems": list(test.stems),
        "parts": test.parts,
        "left_out": [{"file": path, "role": role} for path, role in test.left_out],
        "placed_by": test.placed_by,
        "gain_db": rounded(test.gain_db),
        **figure("sum_peak_dbfs", test.sum_peak_dbfs),
        **figure("residual_peak_dbfs", test.residual_peak_dbfs),
        **figure("residual_rms_dbfs", test.residual_rms_dbfs),
        "limit_peak_dbfs": rounded(test.limit_peak_dbfs),
        "limit_rms_dbfs": rounded(test.limit_rms_dbfs),
        "residual_over_time_dbfs": [rounded(value, 1) for value in test.residual_over_time_dbfs],
        "verdict": test.verdict,
        "causes": [_cause(cause) for cause in test.causes],
    }


def _cause(cause: NullCause) -> Json:
    return {
        **_plain_cause(cause),
        "alternatives": [_plain_cause(each) for each in cause.alternatives],
    }


def _plain_cause(cause: NullCause) -> Json:
    gains = cause.gain_range_db
    return {
        "kind": cause.kind,
        "file": cause.file,
        "gain_db": rounded(cause.gain_db),
        "lag_samples": rounded(cause.lag_samples, _LAG_DECIMALS),
        "start_sample": cause.start_sample,
        "end_sample": cause.end_sample,
        "confidence": rounded(cause.confidence, 2),
        "is_swapped": cause.is_swapped,
        "channel_gains_db": [rounded(gain) for gain in cause.channel_gains_db],
        "gain_range_db": None if gains is None else [rounded(gain) for gain in gains],
        "process": cause.process,
        "level_dbfs": rounded(cause.level_dbfs),
        "centre_hz": rounded(cause.centre_hz, 1),
    }


def null_test_schema() -> Schema:
    """Describe a null test; samples are the named file's own, without one the mix's."""
    plain = _plain_cause_schema()
    return record(
        {
            "song": TEXT,
            "folder": TEXT,
            "reference": TEXT,
            "stems": array(TEXT),
            "parts": {"enum": list(get_args(SummedParts))},
            "left_out": array(record({"file": TEXT, "role": TEXT})),
            "placed_by": {"enum": list(get_args(Placement))},
            "gain_db": nullable(NUMBER),
            "sum_peak_dbfs": nullable(NUMBER),
            "is_sum_peak_dbfs_infinite": FLAG,
            "residual_peak_dbfs": nullable(NUMBER),
            "is_residual_peak_dbfs_infinite": FLAG,
            "residual_rms_dbfs": nullable(NUMBER),
            "is_residual_rms_dbfs_infinite": FLAG,
            "limit_peak_dbfs": nullable(NUMBER),
            "limit_rms_dbfs": nullable(NUMBER),
            "residual_over_time_dbfs": array(nullable(NUMBER)),
            "verdict": {"enum": list(get_args(NullVerdict))},
            "causes": array(record({**plain, "alternatives": array(record(plain))})),
        }
    )


def untested_sum_json(untested: UntestedSum) -> Json:
    """Give stems and a mix that could not be compared as plain values."""
    return {
        "song": untested.song,
        "reference": untested.reference,
        "stems": list(untested.stems),
        "odd": list(untested.odd),
        "obstacle": untested.obstacle,
    }


def untested_sum_schema() -> Schema:
    """Describe them; ``odd``: the stems that keep the set from being summed."""
    return record(
        {
            "song": TEXT,
            "reference": TEXT,
            "stems": array(TEXT),
            "odd": {**array(TEXT), "minItems": 1},
            "obstacle": {"enum": list(get_args(Obstacle))},
        }
    )


def _plain_cause_schema() -> dict[str, Schema]:
    return {
        "kind": {"enum": list(get_args(CauseKind))},
        "file": nullable(TEXT),
        "gain_db": nullable(NUMBER),
        "lag_samples": nullable(NUMBER),
        "start_sample": nullable(INTEGER),
        "end_sample": nullable(INTEGER),
        "confidence": {"type": "number", "minimum": 0, "maximum": 1},
        "is_swapped": FLAG,
        "channel_gains_db": array(nullable(NUMBER)),
        "gain_range_db": nullable(array(nullable(NUMBER))),
        "process": {"enum": ["", "dynamics", "equaliser"]},
        "level_dbfs": nullable(NUMBER),
        "centre_hz": nullable(NUMBER),
    }


_PART_WORDS: dict[SummedParts, tuple[str, str]] = {
    "stems": ("stem", "stems"),
    "alternate-mixes": ("alternate mix", "alternate mixes"),
}


def part_words(test: NullTest) -> str:
    """``6 stems``, ``2 alternate mixes``: what was added up."""
    return figures.plural(len(test.stems), *_PART_WORDS[test.parts])


def null_line(test: NullTest) -> str:
    """``2 stems add up to the mix: residual -128.9 dBFS peak (mix M.wav; stems A.wav, B.wav)``."""
    stems = part_words(test)
    gain = f", all {test.gain_db:+.2f} dB in the mix" if abs(test.gain_db) >= 0.005 else ""
    left = (
        f"; {figures.plural(len(test.left_out), 'other file')} not summed" if test.left_out else ""
    )
    where = f" (mix {test.reference}; {_PART_WORDS[test.parts][1]} {figures.file_list(test.stems)})"
    if test.verdict == "exact":
        return f"{stems} add up to the mix exactly{gain}{where}{left}"
    rounding = ", which rounding alone can leave" if test.verdict == "word-length" else ""
    peak = f"residual {test.residual_peak_dbfs:.1f} dBFS peak{rounding}"
    verb = "add up to the mix" if test.verdict == "word-length" else "do not add up to the mix"
    return f"{stems} {verb}{gain}: {peak}{where}{left}"


def untested_mixes(tests: Iterable[NullTest]) -> str:
    """``not tested: Mix v3.wav; another mix is (Mix v4.wav)``; "" where every mix was."""
    told = tuple(tests)
    tested = {test.reference for test in told}
    mixes = {path: test for test in told for path, role in test.left_out if role == "mix"}
    names = [path for path in mixes if path not in tested]
    if not names:
        return ""
    instead = figures.and_list(list(dict.fromkeys(mixes[path].reference for path in names)))
    return f"not tested: {figures.and_list(names)}; the stems belong to {instead}"


def residual_picture(test: NullTest) -> ResidualPicture:
    """Lay out the residual's peak over the length of the mix, and what word lengths can leave."""
    levels = test.residual_over_time_dbfs
    step = WIDTH / max(len(levels), 1)
    points = [
        f"{place * step:.1f} {_y(level):.1f}H{(place + 1) * step:.1f}"
        for place, level in enumerate(levels)
    ]
    return ResidualPicture(
        title=test.song or test.reference,
        words=null_line(test),
        path=f"M{'L'.join(points)}" if points else "",
        limit_y=round(_y(test.limit_peak_dbfs), 1),
        lines=tuple((round(_y(level), 1), f"{level:.0f} dBFS") for level in (0.0, -50.0, -100.0)),
        end_label=clock_from_samples(test.frames, test.sample_rate_hz),
    )


def _y(level_dbfs: float) -> float:
    if math.isinf(level_dbfs):
        return HEIGHT
    bounded = min(max(level_dbfs, BOTTOM_DBFS), TOP_DBFS)
    return HEIGHT * (TOP_DBFS - bounded) / (TOP_DBFS - BOTTOM_DBFS)
