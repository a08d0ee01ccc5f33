"""One more change put on a model, and the plainest of the models that leave about as little."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from stemprep.null_test.fit import Bench, Fit
from stemprep.null_test.lags import section_moves, with_kernel
from stemprep.null_test.limits import (
    FAR_TIE,
    KERNEL_AFTER,
    LAG_MUST_COST,
    LEVEL_MUST_LEAVE,
    MOVE_AFTER,
    NEAR_FLOOR,
    NEARLY_WHOLE_LAG,
    SHORTEST_MOVED_SAMPLES,
    SUBSAMPLE_DROP,
    TAP_MUST_COST,
    TIE,
    UNHEARD,
)
from stemprep.null_test.model import Change, Form, Model, can_be_swapped, is_whole, swapped

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
    return TIE if fit.over_floor < NEAR_FLOOR else FAR_TIE


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
    cost = LAG_MUST_COST + TAP_MUST_COST * taps
    return fit.is_at_floor and after > before + cost * fit.mean


def _with_whole_lags(bench: Bench, fit: Fit) -> Fit:
    """Make nearly whole lags whole and fit everything else again, if that leaves no more."""
    near = [
        change
        for change in fit.model.changes
        if not is_whole(change.lag) and abs(change.lag - round(change.lag)) < NEARLY_WHOLE_LAG
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


def refined(bench: Bench, state: Fit, change: Change) -> Fit:
    """One more change, fitted where the residual is loud, limited in time, then all fitted."""
    where = state.loud_cells()
    fit = bench.tuned(bench.fit(state.model.with_change(change)), (change.stem,), where)
    for _ in range(2):
        limited = bench.spanned(fit, change.stem)
        if limited is fit:
            break
        fit = bench.tuned(limited, (change.stem,), where)
    others = tuple(known.stem for known in fit.model.changes)
    if len(others) > 1 and not fit.is_at_floor:
        everywhere = np.ones_like(where)
        fit = bench.tuned(fit, others, everywhere)
        for stem in others:
            fit = bench.spanned(fit, stem)
        fit = bench.tuned(fit, others, everywhere)
    fit = _with_move(bench, state, fit, change.stem)
    fit = simplified(bench, _with_level(bench, fit, change.stem, where), change.stem)
    fit = _without_place_if_unheard(bench, fit, change.stem)
    return with_kernels(bench, fit) if fit.mean < KERNEL_AFTER * state.mean else fit


def _with_level(bench: Bench, fit: Fit, stem: int, where: np.ndarray) -> Fit:
    """A moved stem may be at another level besides; taken only where that leaves half or less."""
    change = fit.model.change_of(stem)
    if change is None or change.form != "as-is" or fit.is_at_floor:
        return fit
    freed = fit.model.with_change(replace(change, form="level"))
    trial = bench.tuned(bench.fit(freed), (stem,), where)
    return trial if trial.mean < LEVEL_MUST_LEAVE * fit.mean else fit


def _without_place_if_unheard(bench: Bench, fit: Fit, stem: int) -> Fit:
    """Where a moved stem of which the mix has next to nothing would stand cannot be told."""
    change = fit.model.change_of(stem)
    if change is None or not _is_hardly_there(change):
        return fit
    absent = replace(
        change, form="level", matrix=0.0 * fit.model.routes[stem], lag=0.0, kernel=None
    )
    return bench.spanned(bench.fit(fit.model.with_change(absent)), stem)


def _is_hardly_there(change: Change) -> bool:
    return change.is_moved and float(np.abs(change.matrix).max()) < UNHEARD


def _with_move(bench: Bench, state: Fit, fit: Fit, stem: int) -> Fit:
    """A section that looks like one at another level may have been moved instead."""
    change = fit.model.change_of(stem)
    if change is None or change.span is None or change.is_moved or fit.is_at_floor:
        return fit
    if fit.mean > MOVE_AFTER * state.mean:
        return fit
    best = fit
    for guess in section_moves(bench, state, stem, change.span):
        trial = bench.fit(fit.model.with_change(guess))
        trial = bench.spanned(trial, stem)
        moved = trial.model.change_of(stem)
        if moved is not None and not hides_more_than_it_tells(moved):
            best = min(best, trial, key=lambda each: each.mean)
    return best


def with_kernels(bench: Bench, fit: Fit) -> Fit:
    """Fit how whoever moved stems by parts of a sample interpolated, then all else again."""
    for _ in range(len(fit.model.changes)):
        if fit.is_at_floor:
            break
        before = fit
        for change in fit.model.changes:
            fit = _throughout(bench, with_kernel(bench, fit, change.stem), change.stem)
        if fit is before or len(fit.model.changes) == 1:
            break
        stems = tuple(change.stem for change in fit.model.changes)
        fit = bench.tuned(fit, stems, np.ones_like(fit.loud_cells()))
    return fit


def throughout(bench: Bench, fit: Fit) -> Fit:
    """The fit with every broken lag that seemed to hold for a while holding all the time."""
    for change in fit.model.changes:
        fit = _throughout(bench, fit, change.stem)
    return fit


def _throughout(bench: Bench, fit: Fit, stem: int) -> Fit:
    """A broken lag holds all the time, unless that leaves clearly more.

    Where it seems to hold for a while only, that often hides what another interpolator left.
    """
    change = fit.model.change_of(stem)
    if change is None or change.span is None or is_whole(change.lag):
        return fit
    whole = bench.fit(fit.model.with_change(replace(change, span=None)))
    trial = with_kernel(bench, whole, stem)
    is_as_good = trial.mean <= FAR_TIE * fit.mean or trial.is_at_floor
    return trial if is_as_good or is_needed(bench, trial, stem) else fit


def hides_more_than_it_tells(change: Change) -> bool:
    """A moved section so short that most of it lies where it cannot be judged itself.

    Or a moved stem that is hardly there.
    """
    if _is_hardly_there(change):
        return True
    if change.span is None or not change.is_moved:
        return False
    return change.span[1] - change.span[0] < 2 * abs(change.lag) + SHORTEST_MOVED_SAMPLES


def is_needed(bench: Bench, fit: Fit, stem: int) -> bool:
    """Tell whether 30 dB less is left with a change than without it."""
    return fit.mean <= SUBSAMPLE_DROP * bench.fit(fit.model.without(stem)).mean


def are_broken_and_needed(bench: Bench, fit: Fit) -> bool:
    """A broken lag is among the changes, and every one of them leaves 30 dB less."""
    changes = fit.model.changes
    is_broken = any(not is_whole(change.lag) for change in changes)
    return is_broken and all(is_needed(bench, fit, change.stem) for change in changes)
