"""Windows of the mix and its stems in memory, and how much a null test may compute."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stemprep.null_test.model import REACH, Model, known_mask
from stemprep.null_test.parts import Planar, Stored, Stream, SumSet
from stemprep.null_test.residual import Cells

WINDOW = 65_536
MARGIN = 16_384
MAX_LAG = MARGIN - REACH - 2
"""Longest move that is looked for, samples."""

CELL = 1024
CELLS_A_WINDOW = WINDOW // CELL
_BUDGET_BYTES = 75_000_000


@dataclass(frozen=True, slots=True)
class Excerpts:
    """Windows in the order of time.

    starts: sample of the mix at which each begins; mix: (windows, channels, WINDOW), zeros after
    its end; valid: (windows, WINDOW); stems: each (windows, its channels, WINDOW + 2 MARGIN).
    is_whole: the windows cover the mix from end to end.
    """

    starts: tuple[int, ...]
    mix: Planar
    valid: npt.NDArray[np.bool_]
    stems: tuple[Stored, ...]
    is_whole: bool

    def inner(self, stem: int) -> Planar:
        """A stem without the margins, float64."""
        return self.stems[stem][..., MARGIN : MARGIN + WINDOW].astype(np.float64)

    def inner_window(self, stem: int, window: int) -> Planar:
        """One window of it."""
        return self.stems[stem][window, :, MARGIN : MARGIN + WINDOW].astype(np.float64)

    def rendered(self, model: Model, stem: int) -> Planar:
        """What the mix has of a stem by the model."""
        pieces = [
            model.rendered(stem, self.stems[stem][window], start, MARGIN)
            for window, start in enumerate(self.starts)
        ]
        return np.stack(pieces)

    def known(self, model: Model, frames: int) -> npt.NDArray[np.bool_]:
        """What can be judged under the model."""
        unknown = model.unknown(frames)
        known = self.valid.copy()
        for window, start in enumerate(self.starts):
            mask = known_mask(start, WINDOW, unknown)
            if mask is not None:
                known[window] &= mask
        return known


def read_excerpts(parts: SumSet, cells: Cells) -> Excerpts:
    """Read the whole where it fits into memory, else the windows with the loudest residual."""
    starts = _starts(parts, cells)
    mix = np.zeros((len(starts), parts.channels, WINDOW))
    stems = [
        np.zeros(
            (len(starts), part.channels, WINDOW + 2 * MARGIN),
            np.float32 if part.is_exact_in_float32 else np.float64,
        )
        for part in parts.stems
    ]
    with parts.open() as (mix_stream, *streams):
        for window, start in enumerate(starts):
            mix[window] = mix_stream.take(start, start + WINDOW)
            for stem, stream in zip(stems, streams, strict=True):
                stem[window] = stream.take(start - MARGIN, start + WINDOW + MARGIN)
    valid = np.asarray(starts)[:, None] + np.arange(WINDOW)[None, :] < parts.frames
    mix *= valid[:, None, :]
    is_whole = len(starts) == -(-parts.frames // WINDOW)
    return Excerpts(tuple(starts), mix, valid, tuple(stems), is_whole)


def _starts(parts: SumSet, cells: Cells) -> list[int]:
    """Starts on a grid of windows: all, or the loudest of each of several equal stretches."""
    count = -(-parts.frames // WINDOW)
    wide = sum(
        part.channels * (4 if part.is_exact_in_float32 else 8) for part in (parts.mix, *parts.stems)
    )
    most = max(1, _BUDGET_BYTES // (wide * (WINDOW + 2 * MARGIN)))
    grid = range(0, parts.frames, WINDOW)
    if count <= most:
        return list(grid)
    power = _window_power(cells, count)
    sounding = np.flatnonzero(power > power.max() * 1e-6)
    stretches = np.array_split(sounding, min(most, len(sounding)))
    return sorted(int(stretch[np.argmax(power[stretch])]) * WINDOW for stretch in stretches)


def _window_power(cells: Cells, count: int) -> Planar:
    centres = np.arange(len(cells.power)) * cells.frames // WINDOW
    power = np.bincount(centres, weights=cells.power, minlength=count)
    return np.asarray(power[:count], dtype=np.float64)


_PASSES = 8
"""Of the whole set; one costs up to a quarter of what measuring the files does."""
_LEAST_WORK = 4_600_000_000
"""Sets of medium length are searched as long as one of 24 stereo stems of four minutes."""
_SHORT_WORK = 24_000_000_000
"""Sets that fit into memory as a whole are searched longer: a minute or so."""


class OutOfWorkError(Exception):
    """The work that a test may do is used up: what was not found so far is not explained."""


@dataclass(slots=True)
class Work:
    """Samples gone through, all files and channels, and how many may be."""

    limit: float
    done: float = 0.0

    def spend(self, samples: float) -> None:
        """Count work about to be done; ``OutOfWorkError`` where that is too much."""
        if self.done + samples > self.limit:
            raise OutOfWorkError
        self.done += samples


def metered(parts: SumSet, *, is_short: bool) -> SumSet:
    """The set with a limit: every pass over it counts, and every fit to its excerpts.

    is_short: the excerpts are the whole.
    """
    files = (parts.mix, *parts.stems)
    samples = float(sum(part.channels for part in files) * parts.frames)
    work = Work(max(_PASSES * samples, _SHORT_WORK if is_short else _LEAST_WORK))

    @contextmanager
    def opened() -> Iterator[Sequence[Stream]]:
        work.spend(samples)
        with parts.open() as streams:
            yield streams

    return replace(parts, open=opened, spend=work.spend)
