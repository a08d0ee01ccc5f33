"""Every limit of the null test: what words can leave of a sum, and what a fit must reach.

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

from stemprep.null_test.parts import Part, SumSet, unity
from stemprep.units import power_from_db, ratio_from_db

# What a fit must reach. Energies are mean squares; a ratio is of one fit's energy to another's.
# All were set on the tuning half of the bench of null tests, where nothing else is named.

TIE = 1.03
"""Two explanations whose residual energies differ by less are equally good near the floor: three
standard errors of the energy of some 20,000 independent samples."""

FAR_TIE = 1.26
"""Farther from the floor: 1 dB, for there a fit is limited by what it does not model."""

NEAR_FLOOR = 4.0
"""Energy over theory up to which a fit counts as near: 6 dB, twice the margin of a null."""

LAG_MUST_COST = 50.0
"""Of the mean square left: seven standard errors of a lag (a chi-square of one number)."""

TAP_MUST_COST = 2.0
"""The same for every tap of a kernel that goes with it: each takes about one away by itself."""

NEARLY_WHOLE_LAG = 0.02
"""Samples: a lag nearer than that to a whole one is held against it."""

MUST_HELP = 1.2
"""Every change of a model has to take away so much where it can be judged, or it only hides."""

SUBSAMPLE_DROP = 1e-3
"""A sub-sample delay explains what falls by 30 dB: how it was interpolated is unknown."""

SUBSAMPLE_RIVAL = 30.0
"""It also has to leave so much less (15 dB) than any change of another stem."""

KERNEL_MUST_LEAVE = 0.5
"""The filter of an interpolator, 513 free numbers, has to take half away."""

MOST_KERNEL_COLOUR = 3e-3
"""What it may change of the stem in the lower half of the band: 0.03 dB."""

KERNEL_AFTER = 0.5
"""Where a move leaves more of what there was, how it was interpolated does not matter yet."""

LEVEL_MUST_LEAVE = 0.5
"""A moved stem stands at another level besides where that leaves half or less."""

MOVE_AFTER = 0.9
"""A section that explains less is none of the faults that can be told."""

SHORTEST_MOVED_SAMPLES = 8192
"""Of a moved section, beyond what it covers itself: less cannot be told from chance."""

FREE_LEVEL_MUST_BEAT = 1.5
"""What a move at a free level has to explain, by what one at the stem's own level does."""

SPAN_MUST_BEAT = 1.02
"""What a level for a while has to explain, by what one throughout does."""

MATRIX_SNR = 400.0
"""A free 2 x 2 matrix is tried only where the weaker direction of a stem's two channels holds so
many times its own quantising error: else rounding of a panned mono stem passes for a signal."""

MOST_CHANGED = 0.5
"""Of the stems that sound: where more stand at another level, the mix was changed, not they."""

HOPELESS = 0.75
"""The larger of two faults leaves about half of the energy; leaving more leads nowhere."""

WORTH_REFINING = 0.25
"""Guesses that explain less than this share of what the best one does are not refined."""

AS_GOOD = 0.98
"""Once one explains all, only guesses that promise as much are still refined."""

SAME_GAIN, SAME_TIME_SAMPLES = 1e-3, 256
"""Changes of all stems that differ by less (0.01 dB; 5 ms) are one change, of the mix."""

SAME_LEVEL = 1.0005
"""Two levels that differ by less than 0.005 dB are one: reports state hundredths."""

NO_LEVEL = 5e-4
"""0.005 dB: beside a move, what another interpolation leaves."""

UNHEARD = 1e-3
"""A part 60 dB below its file counts as not in the mix (common practice, no source)."""

DOUBLED_SHARE = 0.98
"""Of the power of one stem that another accounts for: microphones that hear the same spill."""

NEARLY_ALL, CUT_MUST_LEAVE, NEGLIGIBLE = 0.9, 0.95, 0.002
"""Of the residual's energy: the share inside a cut from which on that is tried first; the share
outside of it from which on it explains nothing; and the share that is not worth a search."""

EDGE_STANDS_OUT, PART_STANDS_OUT = 8.0, 15.0
"""Standard errors by which a turn at an edge, or a part within the lost sound, has to stand out:
a search over some 10^5 places and stems exceeds five by chance, and music is not normal."""

EDGE_ALIKE = 0.35
"""How far an edge may be from all of a part on one side and nothing of it on the other."""

ELSEWHERE_SHARE = 0.1
"""Of a part: no more of the stem may be left at any other lag."""

DYNAMICS_DROP, DYNAMICS_RANGE_DB = power_from_db(8), 0.1
"""Dynamics are told where a gain for every few milliseconds takes away 8 dB and ranges so far."""

EQUALISER_DROP = 10.0
"""An equaliser is told where it takes away 10 dB."""

STEM_LIKE, MISSING_LIKE, PAUSING_SHARE = 0.1, (0.8, 1.2), 0.05
"""A missing stem is like no stem that is there, is part of the mix in full, and pauses so often."""

FAINT = 0.01
"""20 dB below the mix and all along it: another rendering or a codec rather than a stem."""

SURE_GAIN, NO_GAIN = 0.05, 0.02
"""A stem's gain in the mix is known where its standard error is below a twentieth of the stem (20
errors between all of it and nothing); a fiftieth (0.2 dB) is no difference beside other faults."""

MOST_FOREIGN = 3
"""Files at once, and never more than stand in the mix as they are: else it is another mix."""

ANOTHER_SOUND, ANOTHER_SOUND_TIME = 0.1, 0.5
"""A foreign file is told before anything else is tried where the mix's own sound there holds so
much of what is left, and so much of the time: beside a silent stem or a small fault it does not."""

MOVED_MUST_LEAVE = 0.5
"""Of what a file's absence leaves: less than half at another time means that it was moved. Another
song's sound agrees by chance in a tenth or so of its energy at the best of 30,000 lags."""

COPY_STANDS_OUT = 25.0
"""Standard deviations by which a delayed copy stands out of the correlation at 30,000 lags: sounds
of one pitch reach 10, a copy 15 dB below all that is left reaches 100."""

CERTAIN, SUBSAMPLE_CERTAIN, FOREIGN_CERTAIN, HIDDEN_CERTAIN = 0.99, 0.9, 0.9, 0.6
"""Confidence of what theory bears out, of what is left over it by an interpolator alone, of what
every file's share of the mix says though nothing comes down to theory, and of what is seen beneath
a loss."""


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
