"""How many bits the samples use, and the hash of the samples."""

from __future__ import annotations

import hashlib

import numpy as np
import numpy.typing as npt

from stemprep.dsp.block import Codes
from stemprep.model.facts import WordFacts

# Codes are held left-justified in 32 bits, whatever is stored.
WORD_BITS = 32
# 2 to the 31: full scale of such a code.
LARGEST_CODE = 2.0**31


class AudioWords:
    """The samples as the words they are stored in.

    The hash is sha256 of ``stemprep-audio-1 CHANNELS`` and a line feed, then the samples
    interleaved: int32, little-endian, left-justified where every sample is exactly so
    representable, else float64, little-endian, -0 as 0. A float file is hashed both ways until
    its first sample that no 32-bit integer holds.

    stored_bits: that a sample occupies in an integer file; no code can use lower ones.
    """

    def __init__(self, channels: int, stored_bits: int = WORD_BITS) -> None:
        header = b"stemprep-audio-1 %d\n" % channels
        self._as_codes = hashlib.sha256(header)
        self._as_floats = hashlib.sha256(header)
        self._bits = 0
        self._lowest_bit = 1 << (WORD_BITS - min(max(stored_bits, 1), WORD_BITS))
        self._is_integer = True

    def add_codes(self, codes: Codes) -> None:
        """Left-justified int32, interleaved, shape (frames, channels)."""
        words = np.ascontiguousarray(codes, dtype="<i4")
        self._as_codes.update(words.data)
        # Once the lowest bit was seen no further code can lengthen the word.
        if not self._bits & self._lowest_bit:
            self._bits |= int(np.bitwise_or.reduce(words, axis=None)) & 0xFFFFFFFF

    def add_floats(self, samples: npt.NDArray[np.floating]) -> None:
        """Planar, full scale = 1.0, as decoded (NaN and infinity included)."""
        interleaved = np.ascontiguousarray(samples.T, dtype="<f8")
        interleaved += 0.0
        self._as_floats.update(interleaved.data)
        if not self._is_integer:
            return
        codes = _codes_of(interleaved)
        self._is_integer = codes is not None
        if codes is not None:
            self.add_codes(codes)

    def facts(self) -> WordFacts:
        """Lowest bit in use over everything added."""
        if not self._is_integer:
            return WordFacts(effective_bit_depth=None)
        return WordFacts(effective_bit_depth=_word_length(self._bits))

    def hexdigest(self) -> str:
        """The audio hash of everything added."""
        return (self._as_codes if self._is_integer else self._as_floats).hexdigest()


def _codes_of(samples: npt.NDArray[np.float64]) -> Codes | None:
    """The samples as left-justified int32; None where one is not exactly such a code."""
    if not (samples.min() >= -1.0 and samples.max() < 1.0):  # NaN fails both
        return None
    scaled = samples * LARGEST_CODE
    codes = scaled.astype(np.int32)
    return codes if np.array_equal(codes, scaled) else None


def _word_length(bits: int) -> int:
    """Length of a left-justified word whose lowest set bit is that of ``bits``."""
    return WORD_BITS - ((bits & -bits).bit_length() - 1) if bits else 0
