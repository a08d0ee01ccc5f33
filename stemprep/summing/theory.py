"""What a sum of quantised files can leave, by word length and dither.

A file quantised once with step q has an error of variance q^2/4 with TPDF dither, never over 1.5 q,
and less when it is only rounded (Lipshitz, Wannamaker and Vanderkooy, J. Audio Eng. Soc. 40, 1992).
The errors of N stems and the mix are independent: variances and bounds add.
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

    constant: what files cut off instead of rounded leave besides, half a step each.
    """

    rms: float
    peak: float
    constant: float = 0.0

    @property
    def rms_limit(self) -> float:
        """3 dB over theory."""
        return self.rms * _RMS_MARGIN

    @property
    def rms_limit_when_cut_off(self) -> float:
        """The same where every file may have been cut off, as some exports do."""
        return math.hypot(self.rms_limit, self.constant)

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
    return Floor(max(rms, 1e-15), peak, fixed.constant)


def _routing(part: Part, channels: int) -> float:
    matrix = unity(channels, part.channels)
    return float(abs(matrix).sum(axis=1).max())
