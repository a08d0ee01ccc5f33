"""Read a take and the mix it was played to, and find where it begins."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from stemprep.containers import DecodingFault
from stemprep.errors import InputError
from stemprep.timing.far_spill import LONGEST_S, RATE_HZ, FarPlace, Line, find_far
from stemprep.work.excerpts import SoundFile, mono_blocks
from stemprep.work.lags import SpillJob, played_to


def measure_far_spill(job: SpillJob) -> FarPlace | None:
    """Where the track begins in the mix; None where it does not tell or cannot be read.

    Whatever their time references say. Files over 20 minutes are not asked: both lie in memory.
    """
    try:
        if max(map(_seconds, (job.track, job.mix))) > LONGEST_S:
            return None
        track = line_of(mono_blocks(job.root, job.track), job.track.format.sample_rate_hz)
        return find_far(track, line_of(played_to(job), job.mix.format.sample_rate_hz))
    except (InputError, OSError, DecodingFault):
        return None


def _seconds(file: SoundFile) -> float:
    return file.header.frames / file.format.sample_rate_hz


def line_of(blocks: Iterator[Line], rate_hz: int) -> Line:
    """The whole of a file, one channel, at the rate in which places are sought."""
    return np.concatenate([*_converted(blocks, rate_hz), np.zeros(0, dtype=np.float32)])


def _converted(blocks: Iterator[Line], rate_hz: int) -> Iterator[Line]:
    import soxr  # loaded where a rate is really converted

    resampler = soxr.ResampleStream(rate_hz, RATE_HZ, 1, dtype="float32", quality="MQ")
    for block in blocks:
        yield resampler.resample_chunk(np.ascontiguousarray(block, dtype=np.float32))
    yield resampler.resample_chunk(np.zeros(0, dtype=np.float32), last=True)
