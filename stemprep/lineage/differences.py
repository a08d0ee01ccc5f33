"""Where two recordings of the same length of time differ, in one pass over both.

Samples are compared exactly; cells of 5 ms keep the sums from which gains and likeness follow
without the sound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.dsp.finite import finite

Planar = npt.NDArray[np.float64]
"""Shape (channels, frames), full scale = 1.0."""
Sums = npt.NDArray[np.float64]
Span = tuple[int, int]

# Cells of 5 ms: a ridden level is followed, a period of low sound still fits.
CELLS_PER_S = 200
MERGED_S = 0.01
"""Equal samples for less than this inside a difference are a coincidence: both cross zero there."""
# Bounds memory for sound that was changed here and there all through; neighbours then merge.
MOST_RUNS = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """What a ``DifferenceMeter`` found.

    frames:     compared, per channel.
    runs:       (start, end) of stretches that differ, in order.
    no_numbers: the same of those that came back NaN or infinite; sums take them for silence.
    cell_frames: length of a cell; the last one may be shorter.
    original, returned, cross: per cell, sums over all channels of x*x, y*y and x*y.
    differing:  per cell, frames that differ.
    """

    frames: int
    runs: tuple[Span, ...]
    no_numbers: tuple[Span, ...]
    cell_frames: int
    original: Sums
    returned: Sums
    cross: Sums
    differing: npt.NDArray[np.int64]

    @property
    def equal_share(self) -> float:
        """0..1: of the frames in cells where something sounds, those that are the same; 1 if none.

        Equal silence proves nothing.
        """
        sounding = (self.original > 0.0) | (self.returned > 0.0)
        total = int(sounding.sum()) * self.cell_frames
        return 1.0 if not total else 1.0 - float(self.differing[sounding].sum()) / total

    @property
    def left_by_gain(self) -> float:
        """0..1: share of the returned energy that one gain of the original does not account for."""
        before, after = float(self.original.sum()), float(self.returned.sum())
        if before <= 0.0 or after <= 0.0:
            return 1.0
        return max(0.0, 1.0 - float(self.cross.sum()) ** 2 / (before * after))

    def likeness(self) -> float:
        """-1..1: how alike the loudness of both moves, by the square roots of the cells' energy."""
        return correlation(np.sqrt(self.original), np.sqrt(self.returned))


def correlation(left: Sums, right: Sums) -> float:
    """Pearson's coefficient; 0 where one of them does not move."""
    if len(left) < 2:
        return 0.0
    first, second = left - left.mean(), right - right.mean()
    size = float(np.sqrt((first @ first) * (second @ second)))
    return float(first @ second) / size if size > 0.0 else 0.0


class _Runs:
    """Stretches of frames that have something in common, those near each other made one."""

    def __init__(self, gap: int) -> None:
        self._gap = gap
        self.spans: list[Span] = []

    def add(self, mask: npt.NDArray[np.bool_], at: int) -> None:
        """A block that begins at frame ``at``: which of its frames have it."""
        edges = np.flatnonzero(np.diff(mask, prepend=False, append=False)) + at
        starts, ends = edges[::2], edges[1::2]
        if not len(starts):
            return
        apart = np.flatnonzero(starts[1:] - ends[:-1] >= self._gap)
        firsts = np.concatenate([starts[:1], starts[apart + 1]])
        lasts = np.concatenate([ends[apart], ends[-1:]])
        for start, end in zip(firsts.tolist(), lasts.tolist(), strict=True):
            if self.spans and start - self.spans[-1][1] < self._gap:
                self.spans[-1] = (self.spans[-1][0], end)
            else:
                self.spans.append((start, end))
        while len(self.spans) > MOST_RUNS:
            self._gap *= 2
            self.spans = merged(self.spans, self._gap)


class DifferenceMeter:
    """Compares two streams that are given block by block, the same times in both."""

    def __init__(self, rate_hz: int) -> None:
        self._cell = max(1, round(rate_hz / CELLS_PER_S))
        gap = max(1, round(MERGED_S * rate_hz))
        self._runs, self._no_numbers = _Runs(gap), _Runs(gap)
        self._sums: list[npt.NDArray[np.float64]] = []
        self._held = np.zeros((4, 0))
        self._frames = 0

    def add(self, original: Planar, returned: Planar) -> None:
        """One block of each, of one shape."""
        are_both_none = np.isnan(original) & np.isnan(returned)
        differs = ((original != returned) & ~are_both_none).any(axis=0)
        are_numbers = np.isfinite(returned).all(axis=0)
        self._runs.add(differs & are_numbers, self._frames)
        self._no_numbers.add(differs & ~are_numbers, self._frames)
        original, returned = finite(original), finite(returned)
        new = np.stack(
            [
                np.einsum("cf,cf->f", original, original),
                np.einsum("cf,cf->f", returned, returned),
                np.einsum("cf,cf->f", original, returned),
                differs,
            ]
        )
        joined = np.concatenate([self._held, new], axis=1)
        whole = joined.shape[1] // self._cell * self._cell
        if whole:
            self._sums.append(joined[:, :whole].reshape(4, -1, self._cell).sum(axis=2))
        self._held = joined[:, whole:]
        self._frames += original.shape[1]

    def finish(self) -> Differences:
        """What all blocks together show."""
        if self._held.shape[1]:
            self._sums.append(self._held.sum(axis=1, keepdims=True))
            self._held = np.zeros((4, 0))
        sums = np.concatenate(self._sums, axis=1) if self._sums else np.zeros((4, 0))
        return Differences(
            frames=self._frames,
            runs=tuple(self._runs.spans),
            no_numbers=tuple(self._no_numbers.spans),
            cell_frames=self._cell,
            original=sums[0],
            returned=sums[1],
            cross=sums[2],
            differing=sums[3].astype(np.int64),
        )


def merged(runs: list[Span], gap: int) -> list[Span]:
    """The runs in their order, those less than ``gap`` apart made one."""
    found: list[Span] = []
    for start, end in runs:
        if found and start - found[-1][1] < gap:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return found
