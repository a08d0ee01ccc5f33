"""Hold a model found on excerpts against the whole: where each change helps, to the sample.

The search leaves out what a moved section may cover, as far as it was moved around either edge.
Which sample belongs to what is seen once it is known what was done to which file.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from stemprep.null_test.excerpts import OutOfWorkError
from stemprep.null_test.limits import TIE, Floor
from stemprep.null_test.model import Change, Known, Model, Span, known_mask
from stemprep.null_test.parts import BestSpan, Planar, SumSet
from stemprep.null_test.residual import CellMeter, Cells, StemSound, model_pass, sounding_blocks

_ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A model with the times between which each change holds, and what it leaves of the whole."""

    model: Model
    cells: Cells


def confirmed(parts: SumSet, model: Model, *, spans_are_known: bool) -> Confirmed:
    """Pass over the whole with the model, until the times between which its changes hold are final.

    Each change is limited to where it helps, the others being as they are so far; first they hold
    throughout. One that helps nowhere is left out. spans_are_known: the excerpts were the whole, so
    that the spans found there are final.
    """
    if spans_are_known:
        return Confirmed(model, model_pass(parts, model))
    changes = tuple(replace(change, span=None) for change in model.changes)
    for _ in range(_ROUNDS):
        model = replace(model, changes=changes)
        cells, helps = _helping_pass(parts, model)
        changes = tuple(help_.limited(change) for change, help_ in zip(changes, helps, strict=True))
        if all(now.span == was.span for now, was in zip(changes, model.changes, strict=True)):
            return Confirmed(model, cells)
        if len(changes) == 1:
            break
    limited = replace(model, changes=changes)
    return Confirmed(limited, model_pass(parts, limited))


def with_edges(
    parts: SumSet, model: Model, stems: Collection[int], exact: Collection[int]
) -> Model:
    """The model with these stems' changes limited anew; one pass.

    exact: stems of which the moved section is known to the sample.
    """
    _, helps = _helping_pass(parts, model, exact)
    for change, help_ in zip(model.changes, helps, strict=True):
        if change.stem in stems and help_.is_any:
            model = model.with_change(replace(change, span=help_.best.span))
    return model


class _Help:
    """Where one change helps, the others being as the model has them."""

    def __init__(self) -> None:
        self.best = BestSpan()
        self._left = 0.0

    def add(self, start: int, residual: Planar, sound: StemSound, known: Known) -> None:
        """Take a block of what the model leaves."""
        left = residual + sound.now - sound.changed
        delta = sound.changed - sound.plain
        saved = ((2 * left + delta) * delta).sum(axis=0)
        if known is not None:
            saved, left = saved * known, left * known
        self.best.add(start, saved)
        self._left += float(np.einsum("cn,cn->", left, left))

    @property
    def is_any(self) -> bool:
        """It helps somewhere."""
        return self.best.span[0] < self.best.span[1]

    def limited(self, change: Change) -> Change:
        """The change within the span in which it helps, unless it helps as much throughout."""
        best = self._left - (self.best.best - self.best.total)
        return replace(change, span=None if self._left <= TIE * best else self.best.span)


def _helping_pass(
    parts: SumSet, model: Model, exact: Collection[int] = ()
) -> tuple[Cells, list[_Help]]:
    meter = CellMeter(parts.frames, parts.channels)
    helps = [_Help() for _ in model.changes]
    unknown = model.unknown(parts.frames, exact)
    unknown_to = [
        model.with_change(replace(change, span=None)).unknown(parts.frames, exact)
        for change in model.changes
    ]
    for start, residual, sounds in sounding_blocks(parts, model):
        length = residual.shape[1]
        meter.add(start, residual, known_mask(start, length, unknown))
        for change, help_, spans in zip(model.changes, helps, unknown_to, strict=True):
            help_.add(start, residual, sounds[change.stem], known_mask(start, length, spans))
    return meter.finish(), helps


_EDGE_MARGIN = 64


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
    reach = int(abs(change.lag)) + _EDGE_MARGIN
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
