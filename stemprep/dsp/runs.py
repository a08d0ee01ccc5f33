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


@dataclass
class RunTally:
    """Counts runs of one channel and lists the first of them, in 16 bytes a run."""

    count: int = 0
    samples: int = 0
    longest: int = 0
    _listed: array[int] = field(default_factory=lambda: array("q"))

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
        room = max(0, min(most, MAX_LISTED_RUNS - self.listed, starts.size))
        self._listed.extend(np.stack([starts, ends], axis=1)[:room].ravel().tolist())
        return room
