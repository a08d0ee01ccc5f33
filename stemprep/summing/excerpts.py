"""Windows of the mix and all its stems in memory: where the residual is loudest, or everything."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.summing.model import Model, known_mask
from stemprep.summing.parts import Planar, Stored, SumSet
from stemprep.summing.residual import Cells
from stemprep.summing.shift import REACH

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
