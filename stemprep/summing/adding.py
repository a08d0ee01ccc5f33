"""One more change put on a model: fitted where it is loud, limited in time, made plain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stemprep.summing.kernels import with_kernel
from stemprep.summing.model import UNHEARD, Change
from stemprep.summing.refine import Bench, Fit
from stemprep.summing.section_moves import section_moves
from stemprep.summing.shift import is_whole
from stemprep.summing.simplifying import FAR_TIE, simplified

_SUBSAMPLE_DROP = 1e-3
"""A broken lag explains a residual that falls by 30 dB: how the mix interpolated is unknown."""
_LEVEL_MUST_LEAVE = 0.5
_SHORTEST_MOVED = 8192
_MOVE_AFTER = 0.9
"""A section that explains less is none of the faults that can be told."""
_KERNEL_AFTER = 0.5
"""Where a move leaves more of what there was, how it was interpolated does not matter yet."""


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
    return with_kernels(bench, fit) if fit.mean < _KERNEL_AFTER * state.mean else fit


def _with_level(bench: Bench, fit: Fit, stem: int, where: np.ndarray) -> Fit:
    """A moved stem may be at another level besides; taken only where that leaves half or less."""
    change = fit.model.change_of(stem)
    if change is None or change.form != "as-is" or fit.is_at_floor:
        return fit
    freed = fit.model.with_change(replace(change, form="level"))
    trial = bench.tuned(bench.fit(freed), (stem,), where)
    return trial if trial.mean < _LEVEL_MUST_LEAVE * fit.mean else fit


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
    if fit.mean > _MOVE_AFTER * state.mean:
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
    return change.span[1] - change.span[0] < 2 * abs(change.lag) + _SHORTEST_MOVED


def is_needed(bench: Bench, fit: Fit, stem: int) -> bool:
    """Tell whether 30 dB less is left with a change than without it."""
    return fit.mean <= _SUBSAMPLE_DROP * bench.fit(fit.model.without(stem)).mean


def are_broken_and_needed(bench: Bench, fit: Fit) -> bool:
    """A broken lag is among the changes, and every one of them leaves 30 dB less."""
    changes = fit.model.changes
    is_broken = any(not is_whole(change.lag) for change in changes)
    return is_broken and all(is_needed(bench, fit, change.stem) for change in changes)
