"""How reports tell a null test: in one line, and as a picture over time."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from stemprep.model.null_test import NullTest, SummedParts
from stemprep.report import figures
from stemprep.units import clock_from_samples

WIDTH, HEIGHT = 900.0, 90.0
TOP_DBFS, BOTTOM_DBFS = 0.0, -150.0


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
