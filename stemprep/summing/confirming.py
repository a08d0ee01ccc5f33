"""Hold a model found on excerpts against the whole: where each change helps, and what is left."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace

import numpy as np

from stemprep.summing.model import Change, Model, known_mask
from stemprep.summing.parts import Planar, Stored, SumSet, routed
from stemprep.summing.refine import TIE
from stemprep.summing.residual import CellMeter, Cells, blocks_of, model_pass
from stemprep.summing.spans import BestSpan


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A model with the times between which each change holds, and what it leaves of the whole."""

    model: Model
    cells: Cells


def confirmed(parts: SumSet, model: Model, *, spans_are_known: bool) -> Confirmed:
    """Pass over the whole with the model; once more where a change turns out to hold only partly.

    spans_are_known: the excerpts were the whole, so that the spans found there are final.
    """
    if spans_are_known:
        return Confirmed(model, model_pass(parts, model))
    wide = replace(model, changes=tuple(replace(change, span=None) for change in model.changes))
    cells, helps = _helping_pass(parts, wide)
    energy = float(cells.power.sum())
    changes = tuple(
        _limited(change, help_, energy) for change, help_ in zip(wide.changes, helps, strict=True)
    )
    if all(change.span is None for change in changes):
        return Confirmed(wide, cells)
    limited = replace(wide, changes=changes)
    return Confirmed(limited, model_pass(parts, limited))


def _limited(change: Change, helped: BestSpan, energy: float) -> Change:
    """The change within the span in which it helps, unless it helps as much throughout."""
    best = energy - (helped.best - helped.total)
    return change if energy <= TIE * best else replace(change, span=helped.span)


def _helping_pass(parts: SumSet, model: Model) -> tuple[Cells, list[BestSpan]]:
    meter = CellMeter(parts.frames, parts.channels)
    helps = [BestSpan() for _ in model.changes]
    unknown = model.unknown(parts.frames)
    with ExitStack() as stack:
        mix_stream, *streams = stack.enter_context(parts.open())
        for start, end in blocks_of(parts.frames):
            residual = mix_stream.take(start, end).astype(np.float64)
            deltas: dict[int, Planar] = {}
            for stem, stream in enumerate(streams):
                margin = model.margin(stem)
                samples = stream.take(start - margin, end + margin)
                rendered = model.rendered(stem, samples, start, margin)
                residual -= rendered
                if model.change_of(stem) is not None:
                    deltas[stem] = rendered - _plain(model, stem, samples, margin)
            known = known_mask(start, end - start, unknown)
            meter.add(start, residual, known)
            _add_helps(helps, model.changes, deltas, residual, start, known)
    return meter.finish(), helps


def _plain(model: Model, stem: int, samples: Stored, margin: int) -> Planar:
    length = samples.shape[-1] - 2 * margin
    return model.gain * routed(model.routes[stem], samples[..., margin : margin + length])


def _add_helps(
    helps: Sequence[BestSpan],
    changes: Sequence[Change],
    deltas: dict[int, Planar],
    residual: Planar,
    start: int,
    known: np.ndarray | None,
) -> None:
    for help_, change in zip(helps, changes, strict=True):
        delta = deltas[change.stem]
        saved = ((2 * residual + delta) * delta).sum(axis=0)
        help_.add(start, saved if known is None else saved * known)
