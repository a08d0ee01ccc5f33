"""By how much a section of a stem was moved, once it is known about where the section lies."""

from __future__ import annotations

import numpy as np

from stemprep.summing.excerpts import CELL, MARGIN, MAX_LAG, WINDOW, Excerpts
from stemprep.summing.lag_errors import LAG_PEAKS, PEAK_DISTANCE, LagErrors, lowest
from stemprep.summing.model import Change, Span, covered
from stemprep.summing.parts import routed
from stemprep.summing.refine import Bench, Fit, Mask

_MANY = 24
"""Moves that are tried, of each of two rankings."""


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
    known = bench.excerpts.known(fit.model, bench.parts.frames)

    def ranked(lags: set[int]) -> list[Change]:
        bench.parts.spend(len(lags) * _inside(span, bench.excerpts) * len(route))
        changes = [Change(stem, "as-is", route, float(lag), span) for lag in sorted(lags - {0})]
        return sorted(changes, key=lambda each: _left_where_known(bench, fit, each, known))

    likely = ranked({place - MAX_LAG for place in places})[:LAG_PEAKS]
    lags = [round(change.lag) for change in likely]
    return ranked(
        {
            lag + beside
            for lag in lags
            for beside in range(-PEAK_DISTANCE, PEAK_DISTANCE + 1)
            if abs(lag + beside) <= MAX_LAG
        }
    )[:LAG_PEAKS]


def _inside(span: Span, excerpts: Excerpts) -> int:
    """Samples of the excerpts that lie in a span."""
    return sum(
        max(min(span[1] - start, WINDOW) - max(span[0] - start, 0), 0) for start in excerpts.starts
    )


def _left_where_known(bench: Bench, fit: Fit, change: Change, known: Mask) -> float:
    """How much of the residual's energy a moved section leaves where it covers nothing.

    known: (windows, WINDOW), samples that can be judged by the fit's own model.
    """
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
        after *= known[window, first:last]
        left += float(np.einsum("cn,cn->", after, after))
        before += float(np.einsum("cn,cn->", residual, residual))
    return left / before if before > 0 else np.inf


def _cells_in(span: Span, excerpts: Excerpts) -> Mask:
    """(windows, cells) that lie in a span as a whole."""
    places = np.asarray(excerpts.starts)[:, None] + np.arange(0, WINDOW, CELL)[None, :]
    return np.asarray((places >= span[0]) & (places + CELL <= span[1]))
