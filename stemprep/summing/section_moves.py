"""By how much a section of a stem was moved, once it is known about where the section lies."""

from __future__ import annotations

import numpy as np

from stemprep.summing.excerpts import CELL, MARGIN, MAX_LAG, WINDOW, Excerpts
from stemprep.summing.lag_errors import LAG_PEAKS, LagErrors, lowest
from stemprep.summing.model import Change, Span, covered
from stemprep.summing.parts import routed
from stemprep.summing.refine import Bench, Fit, Mask

_MANY = 24


def section_moves(bench: Bench, fit: Fit, stem: int, span: Span) -> list[Change]:
    """The likeliest moves of a section by whole samples, at the stem's own level.

    Of a steady tone many are likely, and what the section covers at one edge speaks against the
    right one: so many are tried where the section covers nothing.
    """
    cells = fit.loud_cells() & _cells_in(span, bench.excerpts)
    if not cells.any():
        return []
    errors = LagErrors(bench, fit, cells)
    gain, route = fit.model.gain, fit.model.routes[stem]
    places: set[int] = set()
    for is_sharp in (False, True):
        wanted, power = errors.correlations(stem, is_sharp=is_sharp)
        places.update(lowest(gain * power - 2 * wanted, _MANY))
    changes = [
        Change(stem, "as-is", route, float(place - MAX_LAG), span) for place in sorted(places)
    ]
    bench.parts.spend(len(changes) * (span[1] - span[0]) * len(route))
    return sorted(changes, key=lambda change: _left_where_known(bench, fit, change))[:LAG_PEAKS]


def _left_where_known(bench: Bench, fit: Fit, change: Change) -> float:
    """How much of the residual's energy a moved section leaves where it covers nothing."""
    assert change.span is not None, "a section has a span"
    low, high = change.span
    first_lost, end_of_lost = covered(change.span, round(change.lag))
    low, high = (end_of_lost, high) if first_lost == low else (low, first_lost)
    left = before = 0.0
    for window, start in enumerate(bench.excerpts.starts):
        first, last = max(low - start, 0), min(high - start, WINDOW)
        if first >= last:
            continue
        residual = fit.residual[window, :, first:last]
        samples = bench.excerpts.stems[change.stem][window]
        place = MARGIN + first + round(change.lag)
        delta = samples[:, place : place + last - first].astype(np.float64)
        delta -= samples[:, MARGIN + first : MARGIN + last]
        after = residual - fit.model.gain * routed(change.matrix, delta)
        left += float(np.einsum("cn,cn->", after, after))
        before += float(np.einsum("cn,cn->", residual, residual))
    return left / before if before > 0 else np.inf


def _cells_in(span: Span, excerpts: Excerpts) -> Mask:
    """(windows, cells) that lie in a span as a whole."""
    places = np.asarray(excerpts.starts)[:, None] + np.arange(0, WINDOW, CELL)[None, :]
    return np.asarray((places >= span[0]) & (places + CELL <= span[1]))
