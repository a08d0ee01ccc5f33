"""What a sum of quantised files can leave, by word length and dither.

A word is shortened by a step q in one of four ways. Its error has this mean, variance and bound:

- TPDF dither: 0, q^2/4, 1.5 q (Lipshitz, Wannamaker and Vanderkooy, J. Audio Eng. Soc. 40, 1992);
- rounded: 0, q^2/12, q/2 (the classical model of quantising, same source);
- floored, as by an arithmetic shift: -q/2, q^2/12, q; in digital silence 0;
- cut off towards zero: -q/2 times the sign of the sample, q^2/12 besides, q.

The errors of N stems and the mix are independent: variances and bounds add, the largest of the four
being counted, for a file does not say how it was made. Means add too. Those of floored files leave
up to half a step each, the same from sample to sample as long as the same files sound: that is
fitted and taken off. Those of signs change with every sample; of unlike stems they leave less than
dither would (q^2/3 a file in all, from which the mix's own sign takes some away).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stemprep.summing.parts import Part, SumSet, unity
from stemprep.units import ratio_from_db

_TPDF_VARIANCE = 1 / 4
_TPDF_BOUND = 1.5
_FLOAT32_HALF_STEP = 2.0**-24  # relative; IEEE 754 binary32 has a significand of 24 bits
_RMS_MARGIN = ratio_from_db(3)  # 3 dB over theory still counts as null (common practice)
_FLOAT_CREST = 12.0  # rounding errors of float sums are near normal; no hard bound is known


@dataclass(frozen=True, slots=True)
class Floor:
    """What the files' own word lengths leave: RMS by theory, and the highest possible peak.

    offset: the highest constant that floored files leave besides, half a step each.
    """

    rms: float
    peak: float
    offset: float = 0.0

    @property
    def rms_limit(self) -> float:
        """3 dB over theory."""
        return self.rms * _RMS_MARGIN

    @property
    def power(self) -> float:
        """Mean square by theory."""
        return self.rms**2


def tpdf_floor(steps: Sequence[float]) -> Floor:
    """Floor of a sum of files with these steps, the mix's among them, all dithered."""
    variance = sum(step**2 for step in steps) * _TPDF_VARIANCE
    total = math.fsum(steps)
    return Floor(math.sqrt(variance), _TPDF_BOUND * total, 0.5 * total)


def floor_of(parts: SumSet, gain: float = 1.0, factors: Mapping[int, float] | None = None) -> Floor:
    """Floor of mix minus gain times sum; float files count with rounding at their own level.

    A float mix may also have been summed in float32, one rounding a stem. ``factors``: gains of
    single stems that are thought to stand louder in the mix (never less than 1 is counted).
    """
    louder = factors or {}
    weights = [
        gain * max(_routing(part, parts.channels), louder.get(index, 0.0))
        for index, part in enumerate(parts.stems)
    ]
    fixed = tpdf_floor(
        [
            parts.mix.step,
            *(weight * part.step for weight, part in zip(weights, parts.stems, strict=True)),
        ]
    )
    relative = sum(
        (weight * part.rms) ** 2
        for weight, part in zip(weights, parts.stems, strict=True)
        if not part.step
    )
    if not parts.mix.step:
        relative += parts.mix.rms**2 * (1 + len(parts.stems))
    floating = _FLOAT32_HALF_STEP * math.sqrt(relative)
    rms = math.hypot(fixed.rms, floating)
    peak = fixed.peak + _FLOAT_CREST * floating + 1e-14
    return Floor(max(rms, 1e-15), peak, fixed.offset)


def _routing(part: Part, channels: int) -> float:
    matrix = unity(channels, part.channels)
    return float(abs(matrix).sum(axis=1).max())
