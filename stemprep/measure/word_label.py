"""32-bit words that are read as the wrong kind: integers as floats, floats as integers.

Both give patterns that no sound has. An integer read as a float (IEEE 754 binary32) is vanishingly
small where it is positive and huge or not a number where it is negative, for its upper bits are
the exponent. A float read as an integer lies from 0.375 to 0.496 where it is positive and from
-0.504 to -0.625 where it is negative, for nearly all sizes share a few exponents.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from stemprep.dsp.block import Codes

HUGE = 1e6  # 120 dB over full scale
TINY = 1e-12  # 240 dB below
MIN_EACH = 0.2  # of the samples that are not zero: too large, and too small
FLOAT_CODES = (0x30000000, 0x3F800000)  # 2 ** -31 to 1.0, as bits
NEGATIVE_FLOAT_CODES = (-0x50000000, -0x40800000)  # the same with the sign bit set
# Of the samples that are not zero: what is left may be sound by chance.
MIN_SHARE = 0.98
MIN_SIDE = 0.1  # a sound swings to both sides
# Fewer may all be odd by chance, at the head of a fade.
MIN_SAMPLES = 1_000


class WordLabel:
    """Counts samples that cannot be; whatever was seen once to be sound costs nothing more."""

    def __init__(self) -> None:
        self._is_sound = False
        self._sounding = 0
        self._huge = self._tiny = 0
        self._positive = self._negative = 0

    def add_floats(self, size: npt.NDArray[np.float64]) -> None:
        """Absolute samples as decoded, NaN included."""
        if self._is_sound:
            return
        self._sounding += int(np.count_nonzero(size))
        self._huge += int(np.count_nonzero(~(size <= HUGE)))
        self._tiny += int(np.count_nonzero((size < TINY) & (size > 0)))
        self._settle(min(self._huge, self._tiny) >= MIN_EACH * self._sounding)

    def add_codes(self, codes: Codes) -> None:
        """32-bit integers."""
        if self._is_sound:
            return
        self._sounding += int(np.count_nonzero(codes))
        low, high = FLOAT_CODES
        self._positive += int(np.count_nonzero((codes >= low) & (codes <= high)))
        low, high = NEGATIVE_FLOAT_CODES
        self._negative += int(np.count_nonzero((codes >= low) & (codes <= high)))
        self._settle(self._positive + self._negative >= MIN_SHARE * self._sounding)

    def reads_as(self) -> Literal["integer", "float"] | None:
        """What the words must be instead; None where they are what they are called."""
        if self._is_sound or self._sounding < MIN_SAMPLES:
            return None
        if min(self._huge, self._tiny) >= MIN_EACH * self._sounding:
            return "integer"
        is_both = min(self._positive, self._negative) >= MIN_SIDE * self._sounding
        return "float" if is_both else None

    def _settle(self, is_odd: bool) -> None:
        self._is_sound = self._sounding >= MIN_SAMPLES and not is_odd
