"""Read a take and the mix it was played to, and find where it begins."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from stemprep.containers import DecodingFault
from stemprep.errors import InputError
from stemprep.timing.far_spill import LONGEST_S, RATE_HZ, FarPlace, Line, find_far
from stemprep.work.excerpts import SoundFile, mono_blocks
from stemprep.work.lags import SpillJob


def measure_far_spill(job: SpillJob) -> FarPlace | None:
    """Where the track begins in the mix; None where it does not tell or cannot be read.

    Whatever their time references say. Files over 20 minutes are not asked: both lie in memory.
    """
    mix_root = job.mix_root or job.root
    try:
        if max(map(_seconds, (job.track, job.mix))) > LONGEST_S:
            return None
        return find_far(_line(job.root, job.track), _line(mix_root, job.mix))
    except (InputError, OSError, DecodingFault):
        return None


def _seconds(file: SoundFile) -> float:
    return file.header.frames / file.format.sample_rate_hz


def _line(root: str, file: SoundFile) -> Line:
    """The whole file, one channel, at the rate in which places are sought."""
    return np.concatenate([*_converted(root, file), np.zeros(0, dtype=np.float32)])


def _converted(root: str, file: SoundFile) -> Iterator[Line]:
    import soxr  # loaded where a rate is really converted

    resampler = soxr.ResampleStream(
        file.format.sample_rate_hz, RATE_HZ, 1, dtype="float32", quality="MQ"
    )
    for block in mono_blocks(root, file):
        yield resampler.resample_chunk(np.ascontiguousarray(block, dtype=np.float32))
    yield resampler.resample_chunk(np.zeros(0, dtype=np.float32), last=True)
