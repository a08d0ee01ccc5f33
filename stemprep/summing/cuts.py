"""Stems that end or begin in mid-sound where the mix goes on: what is lost cannot be computed,
but the residual begins on the very sample where the stem ends.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stemprep.summing.model import Cut, Model
from stemprep.summing.parts import Stored, SumSet
from stemprep.summing.residual import blocks_of, residual_blocks
from stemprep.summing.theory import Floor

Places = npt.NDArray[np.intp]

_DITHER_STEPS = 2.5
"""TPDF dither on silence never exceeds two codes."""

_FLOAT_SILENCE = 1e-8
_NEAR = 128
_ABRUPT = 10 ** (-90 / 20)
_ABRUPT_STEPS = 20
_ONSET = 64
"""The residual has to begin within so many samples of the stem's end."""

MAX_CUTS = 3
_INSIDE = 64


@dataclass(frozen=True, slots=True)
class _Edge:
    """Where a stem's sound begins or ends, and how high it stands there."""

    at: int
    peak: float


def abrupt_cuts(parts: SumSet) -> tuple[Cut, ...]:
    """Every stem that ends or begins in mid-sound inside the mix; none where most do.

    One pass. Spans reach from the edge to the end, or the begin, of the mix.
    """
    firsts, lasts = _edges_of_sound(parts)
    cuts = [*_tails(parts, lasts), *_heads(parts, firsts)]
    for is_tail in (True, False):
        alike = [cut for cut in cuts if (cut.span[0] > 0) == is_tail]
        if len(alike) > max(1, len(parts.stems) // 2):
            cuts = [cut for cut in cuts if cut not in alike]
    return tuple(cuts[:MAX_CUTS])


def _tails(parts: SumSet, lasts: list[_Edge | None]) -> Iterator[Cut]:
    for stem, edge in enumerate(lasts):
        if edge is not None and _is_abrupt(parts, stem, edge) and edge.at < parts.frames - _INSIDE:
            yield Cut(stem, (edge.at + 1, parts.frames))


def _heads(parts: SumSet, firsts: list[_Edge | None]) -> Iterator[Cut]:
    for stem, edge in enumerate(firsts):
        if edge is not None and _is_abrupt(parts, stem, edge) and edge.at > _INSIDE:
            yield Cut(stem, (0, edge.at))


def _is_abrupt(parts: SumSet, stem: int, edge: _Edge) -> bool:
    return edge.peak > max(_ABRUPT, _ABRUPT_STEPS * parts.stems[stem].step)


def _edges_of_sound(parts: SumSet) -> tuple[list[_Edge | None], list[_Edge | None]]:
    firsts: list[_Edge | None] = [None] * len(parts.stems)
    lasts: list[_Edge | None] = [None] * len(parts.stems)
    with parts.open() as (_, *streams):
        for start, end in blocks_of(parts.frames):
            for stem, stream in enumerate(streams):
                samples = stream.take(start, end)
                threshold = _DITHER_STEPS * parts.stems[stem].step or _FLOAT_SILENCE
                sounding = _sounding(samples, threshold)
                if sounding is None:
                    continue
                first, last = sounding
                if firsts[stem] is None:
                    peak = float(np.abs(samples[:, first : first + _NEAR]).max())
                    firsts[stem] = _Edge(start + first, peak)
                near = samples[:, max(last - _NEAR, 0) : last + 1]
                lasts[stem] = _Edge(start + last, float(np.abs(near).max()))
    return firsts, lasts


def _sounding(samples: Stored, threshold: float) -> tuple[int, int] | None:
    if float(samples.max(initial=0)) <= threshold and float(samples.min(initial=0)) >= -threshold:
        return None
    over = np.flatnonzero((np.abs(samples) > threshold).any(axis=0))
    return int(over[0]), int(over[-1])


def is_cut(parts: SumSet, model: Model, cut: Cut, floor: Floor) -> bool:
    """Tell whether the residual begins (ends) where the stem ends (begins).

    One pass with the model; before a tail's cut the residual has to be at the floor throughout.
    """
    whole = replace(model, cuts=tuple(other for other in model.cuts if other is not cut))
    is_tail = cut.span[0] > 0
    place = (
        _first_over(parts, whole, floor.peak) if is_tail else _last_over(parts, whole, floor.peak)
    )
    if place is None:
        return False
    return abs(place - cut.span[0]) <= _ONSET if is_tail else abs(cut.span[1] - 1 - place) <= _ONSET


def _over(parts: SumSet, model: Model, limit: float) -> Iterator[tuple[int, Places]]:
    unknown = model.unknown(parts.frames)
    for start, residual in residual_blocks(parts, model):
        high = np.abs(residual).max(axis=0)
        for low, end in unknown:
            high[max(low - start, 0) : max(end - start, 0)] = 0.0
        yield start, np.flatnonzero(high > limit)


def _first_over(parts: SumSet, model: Model, limit: float) -> int | None:
    for start, places in _over(parts, model, limit):
        if len(places):
            return start + int(places[0])
    return None


def _last_over(parts: SumSet, model: Model, limit: float) -> int | None:
    last = None
    for start, places in _over(parts, model, limit):
        if len(places):
            last = start + int(places[-1])
    return last
