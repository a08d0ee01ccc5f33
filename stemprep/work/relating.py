"""Which originals a new file may have been made of, by how its loudness moves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.containers import DecodingFault
from stemprep.errors import InputError
from stemprep.lineage.differences import CELLS_PER_S
from stemprep.work.both_sounds import ComparedFile
from stemprep.work.excerpts import mono_blocks

Envelope = npt.NDArray[np.float64]

MIN_LIKENESS = 0.8
"""Of the moving loudness, at the best lag; only what reaches it is compared closely."""
MOST_CELLS = 2_000_000  # 2.8 hours


@dataclass(frozen=True, slots=True, kw_only=True)
class RelateJob:
    """Originals and new files, each of which is read once."""

    originals: tuple[ComparedFile, ...]
    new: tuple[ComparedFile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """Indices of a new file and of the original that its loudness follows most closely."""

    new: int
    original: int
    likeness: float


def relate(job: RelateJob) -> tuple[Candidate, ...]:
    """For each new file, the original it may be made of; those without one are left out."""
    known = [_envelope(file) for file in job.originals]
    found: list[Candidate] = []
    for number, file in enumerate(job.new):
        own = _envelope(file)
        likes = [_likeness(own, other) for other in known]
        best = int(np.argmax(likes)) if likes else -1
        if best >= 0 and likes[best] >= MIN_LIKENESS:
            found.append(Candidate(new=number, original=best, likeness=likes[best]))
    return tuple(found)


def _envelope(file: ComparedFile) -> Envelope:
    """Root of the energy of each 5 ms of the channels' mean; empty where it cannot be read."""
    frames = max(1, round(file.rate_hz / CELLS_PER_S))
    try:
        cells = np.concatenate([*_cells(file, frames), np.zeros(0)])
    except (InputError, OSError, DecodingFault):
        return np.zeros(0)
    return np.asarray(np.sqrt(cells[:MOST_CELLS]))


def _cells(file: ComparedFile, frames: int) -> Iterator[Envelope]:
    held = np.zeros(0, dtype=np.float32)
    for block in mono_blocks(file.root, file.sound):
        joined = np.concatenate([held, block])
        whole = len(joined) // frames * frames
        yield np.square(joined[:whole], dtype=np.float64).reshape(-1, frames).sum(axis=1)
        held = joined[whole:]


def _likeness(left: Envelope, right: Envelope) -> float:
    """Highest correlation of the two over all lags, 0..1; 0 where one of them does not move."""
    if min(len(left), len(right)) < CELLS_PER_S:
        return 0.0
    first, second = left - left.mean(), right - right.mean()
    size = float(np.linalg.norm(first) * np.linalg.norm(second))
    if size <= 0.0:
        return 0.0
    length = 1 << int(np.ceil(np.log2(len(first) + len(second))))
    products = np.fft.irfft(np.fft.rfft(first, length) * np.fft.rfft(second, length).conj(), length)
    return float(products.max() / size)
