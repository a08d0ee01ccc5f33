"""Read a take and the mix it was played to, and find whether it runs at another speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from stemprep.containers import DecodingFault
from stemprep.errors import InputError
from stemprep.timing.far_spill import LONGEST_S, RATE_HZ, Line
from stemprep.timing.speed import Speed, find_speed
from stemprep.work.excerpts import mono_blocks
from stemprep.work.far_spill import line_of
from stemprep.work.lags import SpillJob, played_to

_SHORTEST_S = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedTrial:
    """A speed to try: how many times as long the take lasts for it, and where it then begins.

    start_s: seconds after the start of what was played to.
    """

    ratio: Fraction
    start_s: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedJob:
    """A take and what it was played to; the trials are asked in order, the first answer holds."""

    spill: SpillJob
    trials: tuple[SpeedTrial, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSpeed:
    """The trial at which the mix stands out in the take.

    ratio:  how many times as long the take lasts as what it was played to.
    late_s: how much too late its first sample lies, against the trial's start.
    """

    trial: SpeedTrial
    ratio: float
    late_s: float
    speed: Speed


def measure_speed(job: SpeedJob) -> FoundSpeed | None:
    """The speed of a take; None where the mix stands out at none, or a file cannot be read.

    Files over 20 minutes are not asked: both lie in memory.
    """
    spill = job.spill
    try:
        lasting_s = [
            each.header.frames / each.format.sample_rate_hz for each in (spill.track, spill.mix)
        ]
        if max(lasting_s) > LONGEST_S or min(lasting_s) < _SHORTEST_S:
            return None
        track = line_of(mono_blocks(spill.root, spill.track), spill.track.format.sample_rate_hz)
        mix = line_of(played_to(spill), spill.mix.format.sample_rate_hz)
    except (InputError, OSError, DecodingFault):
        return None
    return _first_answer(track, mix, job.trials)


def _first_answer(track: Line, mix: Line, trials: Sequence[SpeedTrial]) -> FoundSpeed | None:
    for trial in trials:
        own, heard, early_s = _laid_together(_undone(track, trial.ratio), mix, trial.start_s)
        speed = find_speed(own, heard, RATE_HZ)
        if speed is not None:
            ratio = float(trial.ratio) * (1.0 + speed.ppm / 1e6)
            at_first = speed.peak.lag_samples / RATE_HZ - speed.ppm / 1e6 * early_s
            return FoundSpeed(trial=trial, ratio=ratio, late_s=at_first, speed=speed)
    return None


def _undone(track: Line, ratio: Fraction) -> Line:
    """The take as it would last at the mix's speed."""
    if ratio == 1:
        return track
    import soxr  # loaded where a rate is really converted

    to_hz = float(RATE_HZ / ratio)
    resampler = soxr.ResampleStream(RATE_HZ, to_hz, 1, dtype="float32", quality="HQ")
    return np.asarray(resampler.resample_chunk(track, last=True), dtype=np.float32)


def _laid_together(track: Line, mix: Line, start_s: Fraction) -> tuple[Line, Line, float]:
    """Both from the same moment on, and how long after the track's first sample that is."""
    skip = round(start_s * RATE_HZ)
    if skip >= 0:
        return track, mix[skip:], 0.0
    return track[-skip:], mix, -skip / RATE_HZ
