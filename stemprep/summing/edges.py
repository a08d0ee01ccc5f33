"""The edges of moved sections to the sample, and of what other files do beside them.

The search leaves out what a moved section may cover, as far as it was moved around either edge.
Which sample belongs to what is seen once it is known what was done to which file.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from itertools import product

import numpy as np

from stemprep.summing.confirming import with_edges
from stemprep.summing.model import Change, Model, Span
from stemprep.summing.parts import Planar, SumSet
from stemprep.summing.residual import StemSound, sounding_blocks
from stemprep.summing.theory import Floor
from stemprep.summing.work import OutOfWorkError

_BESIDE = 64


def with_exact_edges(parts: SumSet, model: Model, floor: Floor) -> Model:
    """The model with every moved section reaching over all that the stem as it is leaves.

    A section that was moved lies over other sound of its stem, or leaves a hole behind. Of other
    stems, what holds only for a while is limited anew, now that less is hidden. One pass for each
    such section, two where there are several, and one for all others. Where the work is used up,
    the edges stay as they are.
    """
    moved = moved_sections(model)
    rounds = min(len(moved), 2)
    exact: set[int] = set()
    try:
        for stem in moved * rounds:
            model = _with_whole_section(parts, model, stem, floor.peak, exact)
            exact.add(stem)
        others = [
            each.stem for each in model.changes if each.span is not None and not each.is_moved
        ]
        return with_edges(parts, model, others, exact) if moved and others else model
    except OutOfWorkError:
        return model


def moved_sections(model: Model) -> list[int]:
    """Stems of which a section was moved, but not the whole file."""
    return [each.stem for each in model.changes if each.span is not None and each.is_moved]


def _with_whole_section(
    parts: SumSet, model: Model, stem: int, limit: float, exact: Collection[int]
) -> Model:
    change = model.change_of(stem)
    assert change is not None, "only a changed stem can be limited"
    assert change.span is not None, "only a section has edges"
    reach = int(abs(change.lag)) + _BESIDE
    around = (change.span[0] - reach, change.span[1] + reach)
    found = _extent(parts, model, change, limit, around, exact)
    return model if found is None else model.with_change(replace(change, span=found))


def _extent(
    parts: SumSet, model: Model, change: Change, limit: float, within: Span, exact: Collection[int]
) -> Span | None:
    """From the first to the last sample that the stem as it is does not explain; None: none.

    Others that are changed for a while may be so or not at any sample: their edges are not sure.
    """
    others = [
        each.stem for each in model.changes if each.span is not None and each.stem != change.stem
    ]
    unknown = (*model.without(change.stem).unknown(parts.frames, exact), (within[1], parts.frames))
    first = last = None
    for start, residual, sounds in sounding_blocks(parts, model):
        own = sounds[change.stem]
        high = _least(residual + own.now - own.plain, [sounds[other] for other in others])
        for low, end in ((0, within[0]), *unknown):
            high[max(low - start, 0) : max(end - start, 0)] = 0.0
        places = np.flatnonzero(high > limit)
        if len(places):
            first = start + int(places[0]) if first is None else first
            last = start + int(places[-1])
    return None if first is None or last is None else (first, last + 1)


def _least(residual: Planar, others: list[StemSound]) -> Planar:
    """Highest absolute value of all channels, with the others as they are or changed."""
    states = [(each.now - each.plain, each.now - each.changed) for each in others]
    least = np.full(residual.shape[1], np.inf)
    for chosen in product(*states):
        left = residual + sum(chosen, start=np.zeros_like(residual))
        np.minimum(least, np.abs(left).max(axis=0), out=least)
    return least
