"""Digital silence inside a stream, told apart from single samples that happen to be zero."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from stemprep.prepare.stream import Planar

MIN_RUN_FRAMES = 64  # a zero crossing holds a few zeros, a silence this many and more

Mask: TypeAlias = npt.NDArray[np.bool_]
Positions: TypeAlias = npt.NDArray[np.intp]


def with_silence(
    blocks: Iterator[Planar], channels: int, threshold: float = 0.0
) -> Iterator[tuple[Planar, Mask]]:
    """Yield the blocks, regrouped, each with a mask of its silent samples, channel by channel.

    Silent is a run of at least 64 samples at or below ``threshold`` (1.0 = full scale); at the
    very start and end of the stream a run of any length. Independent of block sizes: a run is
    held back until it is known whether it is long enough, at most 63 frames.
    """
    held: Planar = np.empty((channels, 0))
    is_inside = np.ones(channels, dtype=bool)  # was the sample before this block silent?
    for block in blocks:
        joined = np.concatenate([held, block], axis=1)
        quiet = np.abs(joined) <= threshold
        ready = joined.shape[1] - _undecided(quiet, is_inside)
        if ready > 0:
            mask = _long_runs(quiet, is_inside)[:, :ready]
            yield joined[:, :ready], mask
            is_inside = mask[:, -1]
        held = joined[:, ready:]
    if held.shape[1]:
        quiet = np.abs(held) <= threshold
        yield held, _long_runs(quiet, is_inside, is_end=True)


def _undecided(quiet: Mask, is_inside: Mask) -> int:
    """Frames at the end whose run may still grow to a silence."""
    return max(
        (_undecided_of(row, bool(inside)) for row, inside in zip(quiet, is_inside, strict=True)),
        default=0,
    )


def _undecided_of(quiet: Mask, is_inside: bool) -> int:
    loud = np.flatnonzero(~quiet[-MIN_RUN_FRAMES:])
    if loud.size:
        return min(len(quiet), MIN_RUN_FRAMES) - 1 - int(loud[-1])
    return 0 if is_inside or len(quiet) >= MIN_RUN_FRAMES else len(quiet)


def _long_runs(quiet: Mask, is_inside: Mask, *, is_end: bool = False) -> Mask:
    mask = np.zeros_like(quiet)
    for row, result, inside in zip(quiet, mask, is_inside, strict=True):
        starts, ends = _runs(row)
        is_long = ends - starts >= MIN_RUN_FRAMES
        is_long |= (starts == 0) & inside
        is_long |= (ends == len(row)) & is_end
        for start, end in zip(starts[is_long].tolist(), ends[is_long].tolist(), strict=True):
            result[start:end] = True
    return mask


def _runs(quiet: Mask) -> tuple[Positions, Positions]:
    """Find starts and ends of the runs of True."""
    edges = np.flatnonzero(np.diff(quiet.astype(np.int8), prepend=0, append=0))
    return edges[::2], edges[1::2]
