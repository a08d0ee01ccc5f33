"""Loudness and true peak of sound that is being made, before any of it is written."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import Reblocker, chunk_frames
from stemprep.dsp.interpolation import interpolator
from stemprep.measure.loudness import Loudness
from stemprep.measure.true_peak import TruePeak
from stemprep.model.words import TruePeakFilter
from stemprep.units import db_from_ratio


class ProgrammeMeter:
    """Measures blocks of a stereo sum, shape (2, frames), any float type, in constant memory.

    is_loudness_wanted: False saves the loudness, which then is None.
    """

    def __init__(
        self, rate_hz: int, true_peak_filter: TruePeakFilter, *, is_loudness_wanted: bool
    ) -> None:
        self._chunks = Reblocker(chunk_frames(2))
        self._true_peak = TruePeak(interpolator(true_peak_filter, rate_hz), 2, np.float32)
        self._loudness = Loudness(rate_hz, 2, None, np.float32) if is_loudness_wanted else None
        self._frames = 0

    def add(self, block: npt.NDArray[np.floating]) -> None:
        """Measure the next block."""
        for chunk in self._chunks.push(block.astype(np.float32, copy=False)):
            self._frames += chunk.frames
            self._true_peak.add(chunk)
            if self._loudness is not None:
                self._loudness.add(chunk)

    def finish(self) -> tuple[float | None, float]:
        """Integrated loudness in LUFS, None where there is none, and true peak in dBTP."""
        for chunk in self._chunks.flush():
            self._frames += chunk.frames
            self._true_peak.add(chunk)
            if self._loudness is not None:
                self._loudness.add(chunk)
        facts = None if self._loudness is None else self._loudness.facts(self._frames)
        return None if facts is None else facts.loudness_lufs, db_from_ratio(
            self._true_peak.finish()
        )
