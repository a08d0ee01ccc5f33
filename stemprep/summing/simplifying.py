"""The plainest of the models that leave about as little: what can be left out or rounded is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from stemprep.summing.kernels import with_kernel
from stemprep.summing.model import Change, Form, Model, can_be_swapped, swapped
from stemprep.summing.refine import TIE, Bench, Fit
from stemprep.summing.shift import is_whole

FAR_TIE = 1.26
_NEAR = 4.0
"""Residual energy over theory up to which two explanations are compared closely."""
_NEARLY_WHOLE = 0.02
_LAG_MUST_COST = 50.0
"""Of the mean square left: seven standard errors of a lag (a chi-square of one number)."""
_TAP_MUST_COST = 2.0
"""The same for every tap of a kernel that goes with it: each takes about one away by itself."""
_POLISHING, _POLISHED = 3, 0.999
_PLAINER: dict[Form, tuple[Form, ...]] = {
    "matrix": ("level", "swap", "balance"),
    "balance": ("level", "swap"),
}


def simplest(fits: list[Fit]) -> Fit:
    """The fit with the fewest free numbers among those that are about as good as the best."""
    best = min(fits, key=lambda fit: fit.mean)
    good = [fit for fit in fits if fit.mean <= _tie(best) * best.mean]
    return min(good, key=lambda fit: (_freedom(fit.model), fit.mean))


def _freedom(model: Model) -> int:
    return sum(change.freedom for change in model.changes)


def _tie(fit: Fit) -> float:
    return TIE if fit.over_floor < _NEAR else FAR_TIE


def pruned(bench: Bench, fit: Fit) -> Fit:
    """Drop every change without which the residual is as low."""
    for change in fit.model.changes:
        trial = _refitted(bench, fit, fit.model.without(change.stem), change.stem)
        if trial.mean <= TIE * fit.mean or (fit.is_at_floor and trial.is_at_floor):
            fit = trial
    for change in fit.model.changes if fit.is_at_floor else ():
        fit = simplified(bench, _plainer(bench, fit, change), change.stem)
    return _with_whole_lags(bench, fit)


def polished(bench: Bench, fit: Fit) -> Fit:
    """All numbers once more by least squares: a floor can be reached before their best values."""
    stems = tuple(change.stem for change in fit.model.changes)
    everywhere = np.ones_like(fit.loud_cells())
    for _ in range(_POLISHING):
        before = fit
        if any(not is_whole(change.lag) for change in fit.model.changes) and len(stems) > 1:
            for stem in stems:
                fit = with_kernel(bench, fit, stem, must_leave=1.0)
        fit = bench.tuned(fit, stems, everywhere, holds_lags=True)
        if fit.mean > _POLISHED * before.mean:
            break
    return all_simplified(bench, fit)


def all_simplified(bench: Bench, fit: Fit) -> Fit:
    """Round what can be rounded in every change."""
    for change in fit.model.changes:
        fit = simplified(bench, fit, change.stem)
    return fit


def simplified(bench: Bench, fit: Fit, stem: int) -> Fit:
    """Round what can be rounded without leaving more: lags to samples, factors to 1, 0 and -1."""
    for _ in range(2):
        for change in _simpler_changes(fit.model, stem):
            trial = _refitted(bench, fit, fit.model.with_change(change), stem)
            if change.is_moved and change.span is not None:
                trial = bench.spanned(trial, stem)  # a whole lag hides less at its edges
            if trial.mean <= _tie(fit) * fit.mean and not _loses_a_lag(bench, fit, trial, stem):
                fit = trial
                break
        else:
            break
    return fit


def _simpler_changes(model: Model, stem: int) -> Iterable[Change]:
    change = model.change_of(stem)
    if change is None:
        return
    if not is_whole(change.lag):
        rounded = replace(change, lag=float(round(change.lag)), kernel=None)
        if rounded.lag or rounded.form != "as-is":
            yield rounded
    if change.form != "level":
        return
    route = model.routes[stem]
    yield replace(change, matrix=-route)
    yield replace(change, matrix=0.0 * route, lag=0.0)
    if change.is_moved:
        yield replace(change, form="as-is", matrix=route)


def _refitted(bench: Bench, fit: Fit, model: Model, held: int) -> Fit:
    """What a model leaves; where that is more, with every other change fitted anew."""
    trial = bench.fit(model)
    others = tuple(change.stem for change in model.changes if change.stem != held)
    if not others or trial.mean <= _tie(fit) * fit.mean:
        return trial
    return bench.tuned(trial, others, np.ones_like(fit.loud_cells()))


def _loses_a_lag(bench: Bench, fit: Fit, trial: Fit, stem: int) -> bool:
    """At the floor a broken lag is told from a whole one by far less than by a tie.

    Compared where both can be judged.
    """
    change, rounded = fit.model.change_of(stem), trial.model.change_of(stem)
    if change is None or rounded is None or is_whole(change.lag) or not rounded.is_moved:
        return False
    known = bench.excerpts.known(fit.model, bench.parts.frames)
    known &= bench.excerpts.known(trial.model, bench.parts.frames)
    before, after = (
        float(np.square(each.residual * known[:, None, :]).sum()) for each in (fit, trial)
    )
    taps = 0 if change.kernel is None else len(change.kernel)
    cost = _LAG_MUST_COST + _TAP_MUST_COST * taps
    return fit.is_at_floor and after > before + cost * fit.mean


def _with_whole_lags(bench: Bench, fit: Fit) -> Fit:
    """Make nearly whole lags whole and fit everything else again, if that leaves no more."""
    near = [
        change
        for change in fit.model.changes
        if not is_whole(change.lag) and abs(change.lag - round(change.lag)) < _NEARLY_WHOLE
    ]
    if not near:
        return fit
    model = fit.model
    for change in near:
        rounded = replace(change, lag=float(round(change.lag)), kernel=None)
        model = model.with_change(rounded)
    stems = tuple(change.stem for change in model.changes)
    everywhere = np.ones_like(fit.loud_cells())
    trial = bench.tuned(bench.fit(model), stems, everywhere, holds_lags=True)
    return trial if trial.mean <= _tie(fit) * fit.mean or trial.is_at_floor else fit


def _plainer(bench: Bench, fit: Fit, change: Change) -> Fit:
    """The same stem with fewer free numbers, where that leaves no more: a level for a panning."""
    everywhere = np.ones_like(fit.loud_cells())
    stems = tuple(known.stem for known in fit.model.changes)
    for form in _PLAINER.get(change.form, ()):
        route = fit.model.routes[change.stem]
        matrix = _projected(change.matrix, route, form)
        if matrix is None:
            continue
        freed = bench.fit(fit.model.with_change(replace(change, form=form, matrix=matrix)))
        trial = simplified(bench, bench.tuned(freed, stems, everywhere), change.stem)
        if trial.mean <= TIE * fit.mean:
            return trial
    return fit


def _projected(matrix: np.ndarray, route: np.ndarray, form: Form) -> np.ndarray | None:
    """The nearest matrix of a plainer form; None where the stem has no such form."""
    if form == "level":
        return np.asarray(route * (np.sum(matrix * route) / np.sum(route * route)))
    if form == "swap":
        return swapped(route) if can_be_swapped(route) else None
    return np.asarray(matrix * (route != 0))
