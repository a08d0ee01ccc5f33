"""Hold a model found on excerpts against the whole: where each change helps, and what is left."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from stemprep.summing.model import Change, Known, Model, known_mask
from stemprep.summing.parts import Planar, SumSet
from stemprep.summing.refine import TIE
from stemprep.summing.residual import CellMeter, Cells, StemSound, model_pass, sounding_blocks
from stemprep.summing.spans import BestSpan

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
