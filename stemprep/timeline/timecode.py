"""Timecode and samples: exact rationals, rounded once to the nearest sample, halves up."""

from __future__ import annotations

import math
from fractions import Fraction

from stemprep.model.timecode import FRAMES_PER_SECOND, FrameRate, Timecode, timecode_of_frame

_HALF = Fraction(1, 2)


def nearest_sample(second: Fraction, rate_hz: int) -> int:
    """Nearest whole sample, halves up; the same for places before zero, so that gaps keep."""
    return math.floor(second * rate_hz + _HALF)


def second_of_timecode(timecode: Timecode) -> Fraction:
    """Seconds from 00:00:00:00 to the start of a frame."""
    return timecode.frame_number / FRAMES_PER_SECOND[timecode.frame_rate]


def sample_of_timecode(timecode: Timecode, rate_hz: int) -> int:
    """First sample of a frame, counted from 00:00:00:00."""
    return nearest_sample(second_of_timecode(timecode), rate_hz)


def timecode_of_sample(sample: int, rate_hz: int, frame_rate: FrameRate) -> tuple[Timecode, int]:
    """Give the frame that a sample lies in, and its place in the frame, samples from 0.

    The frame's first sample is that of ``sample_of_timecode``, so the two are each other's inverse.
    """
    per_second = FRAMES_PER_SECOND[frame_rate]
    frame = math.floor((sample + _HALF) / rate_hz * per_second)
    first = nearest_sample(frame / per_second, rate_hz)
    if first > sample:  # the frame begins after the half that was added
        frame -= 1
        first = nearest_sample(frame / per_second, rate_hz)
    return timecode_of_frame(frame, frame_rate), sample - first
