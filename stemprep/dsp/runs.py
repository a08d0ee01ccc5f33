"""Runs of neighbouring samples that share a key, across any number of chunks."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stemprep.model.facts import MAX_LISTED_RUNS

Positions = npt.NDArray[np.int64]
Keys = npt.NDArray[np.floating]


def split_runs(positions: Positions, keys: Keys) -> tuple[Positions, Positions]:
    """Indices into ``positions`` where runs begin and end (exclusive).

    A run goes on while positions are consecutive and the key stays the same.
    """
    if not positions.size:
        return positions, positions
    cuts = np.flatnonzero((np.diff(positions) != 1) | (keys[1:] != keys[:-1])) + 1
    return np.concatenate([[0], cuts]), np.concatenate([cuts, [positions.size]])


class RunJoiner:
    """Feeds on marked positions in order; gives back runs that can grow no more."""

    def __init__(self) -> None:
        self._open: tuple[int, int, float] | None = None

    @property
    def is_open(self) -> bool:
        """True while a run may go on in the next chunk."""
        return self._open is not None

    def push(self, positions: Positions, keys: Keys, end: int) -> tuple[Positions, Positions]:
        """Starts and ends of the runs completed by a chunk that ends before frame ``end``."""
        first, last = split_runs(positions, keys)
        starts, ends, values = positions[first], positions[last - 1] + 1, keys[first]
        if self._open is not None:
            start, stop, key = self._open
            if starts.size and starts[0] == stop and values[0] == key:
                starts[0] = start
            else:
                starts, ends = np.append(start, starts), np.append(stop, ends)
                values = np.append(key, values)
            self._open = None
        if starts.size and ends[-1] == end:
            self._open = (int(starts[-1]), int(ends[-1]), float(values[-1]))
            starts, ends = starts[:-1], ends[:-1]
        return starts, ends

    def flush(self) -> tuple[Positions, Positions]:
        """The run that the end of the file cuts off, if any."""
        runs = [] if self._open is None else [self._open[:2]]
        self._open = None
        starts, ends = np.array(runs, dtype=np.int64).reshape(-1, 2).T
        return starts, ends


# 20 ms at 48 kHz: finer than a picture of any file shows.
FIRST_STRETCH_SAMPLES = 1024
STRETCHES = 256
"""Places are counted by time in at most so many stretches; twice as long when they do not do."""


@dataclass
class RunTally:
    """Counts runs of one channel and lists the first of them, in 16 bytes a run."""

    count: int = 0
    samples: int = 0
    longest: int = 0
    _listed: array[int] = field(default_factory=lambda: array("q"))
    _stretch_samples: int = FIRST_STRETCH_SAMPLES
    _begun: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(STRETCHES, np.int64))

    @property
    def listed(self) -> int:
        """How many runs are listed."""
        return len(self._listed) // 2

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return zip(self._listed[::2], self._listed[1::2], strict=True)

    def add(self, starts: Positions, ends: Positions, most: int = MAX_LISTED_RUNS) -> int:
        """Count runs and list up to ``most`` of them, MAX_LISTED_RUNS in all; how many were."""
        if not starts.size:
            return 0
        lengths = ends - starts
        self.count += starts.size
        self.samples += int(lengths.sum())
        self.longest = max(self.longest, int(lengths.max()))
        self._count_by_time(starts)
        room = max(0, min(most, MAX_LISTED_RUNS - self.listed, starts.size))
        self._listed.extend(np.stack([starts, ends], axis=1)[:room].ravel().tolist())
        return room

    def density(self, stretch_samples: int) -> npt.NDArray[np.int64]:
        """Runs that begin in each stretch of ``stretch_samples``.

        stretch_samples: ``self.stretch_samples`` times a power of two.
        """
        counts = self._begun
        for _ in range((stretch_samples // self._stretch_samples).bit_length() - 1):
            counts = _halved(counts)
        return counts

    @property
    def stretch_samples(self) -> int:
        """Length of the stretches in which runs are counted by time."""
        return self._stretch_samples

    def _count_by_time(self, starts: Positions) -> None:
        last = int(starts[-1])
        while last >= self._stretch_samples * STRETCHES:
            self._begun, self._stretch_samples = _halved(self._begun), 2 * self._stretch_samples
        places = starts // self._stretch_samples
        self._begun += np.bincount(places, minlength=STRETCHES)


def _halved(counts: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Every two stretches as one, in as many places as before."""
    pairs = counts[::2] + counts[1::2]
    return np.concatenate([pairs, np.zeros(len(counts) - len(pairs), np.int64)])
