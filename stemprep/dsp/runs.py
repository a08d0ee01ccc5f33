"""Runs of neighbouring samples that share a key, across any number of chunks."""

from __future__ import annotations

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

    def push(self, positions: Positions, keys: Keys, end: int) -> list[tuple[int, int]]:
        """Runs (start, end) completed by a chunk that ends before frame ``end``."""
        first, last = split_runs(positions, keys)
        runs = [
            (int(positions[a]), int(positions[b - 1]) + 1, float(keys[a]))
            for a, b in zip(first, last, strict=True)
        ]
        if self._open is not None:
            start, stop, key = self._open
            if runs and runs[0][0] == stop and runs[0][2] == key:
                runs[0] = (start, runs[0][1], key)
            else:
                runs.insert(0, self._open)
        self._open = runs.pop() if runs and runs[-1][1] == end else None
        return [(start, stop) for start, stop, _ in runs]

    def flush(self) -> list[tuple[int, int]]:
        """The run that the end of the file cuts off, if any."""
        runs = [] if self._open is None else [self._open[:2]]
        self._open = None
        return runs


@dataclass
class RunTally:
    """Counts runs of one channel and lists the first of them."""

    count: int = 0
    samples: int = 0
    longest: int = 0
    listed: list[tuple[int, int]] = field(default_factory=list)

    def add(self, start: int, end: int) -> None:
        """Count one run; kept while fewer than MAX_LISTED_RUNS are."""
        self.count += 1
        self.samples += end - start
        self.longest = max(self.longest, end - start)
        if len(self.listed) < MAX_LISTED_RUNS:
            self.listed.append((start, end))
