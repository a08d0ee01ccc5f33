"""Search for changes of single stems that bring the residual down to what word lengths leave."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from stemprep.summing.kernels import with_kernel
from stemprep.summing.model import Change, Form, Model, can_be_swapped, swapped
from stemprep.summing.proposals import Proposal, Proposer
from stemprep.summing.refine import TIE, Bench, Fit
from stemprep.summing.shift import is_whole

MAX_CHANGES = 3
_REFINED = 8
_A_STEM = 4
_BEAM = 2
_FAR_TIE = 1.26
_NEAR = 4.0
"""Residual energy over theory up to which two explanations are compared closely."""
_SUBSAMPLE_DROP = 1e-3
"""A broken lag explains a residual that falls by 30 dB: how the mix interpolated is unknown."""
_RIVAL = 30.0
_HOPELESS = 0.75
"""The larger of two faults leaves about half of the energy; leaving more leads nowhere."""
_WORTH = 0.25
"""Guesses that explain less than this share of what the best one does are not refined."""
_LEVEL_MUST_LEAVE = 0.5
_AS_GOOD = 0.98
_NEARLY_WHOLE = 0.02
_LAG_MUST_COST = 50.0
"""Of the mean square left: seven standard errors of a lag (a chi-square of one number)."""
_HELP = 1.2
_POLISHING, _POLISHED = 3, 0.999
_PLAINER: dict[Form, tuple[Form, ...]] = {
    "matrix": ("level", "swap", "balance"),
    "balance": ("level", "swap"),
}


@dataclass(frozen=True, slots=True)
class Found:
    """The best fit; whether it explains the excerpts, by a broken lag only as far as can be told.

    alternatives: (stem, change): changes that do as well as that of the stem.
    """

    fit: Fit
    is_explained: bool
    is_subsample: bool = False
    alternatives: tuple[tuple[int, Change], ...] = ()


def search(
    bench: Bench,
    start: Fit,
    *,
    jointly: Fit | None = None,
    is_bus: Callable[[], bool] = bool,
) -> Found:
    """The simplest model that explains the excerpts; ``is_explained`` False where none does.

    jointly: changes of level alone that explain everything, where there are such.
    is_bus: asked when one change alone does not do; True: the mix bus is why, look no further.
    """
    if jointly is not None and len(jointly.model.changes) > 1:
        pruned = _pruned(bench, _all_simplified(bench, jointly))
        return Found(pruned, True, alternatives=_alternatives(bench, pruned, None))
    states = [start]
    best, reached = start, start.mean
    subsample: Fit | None = None
    for step in range(MAX_CHANGES):
        children = [child for state in states for child in _children(bench, state)]
        if not children:
            break
        chosen = simplest(children)
        for child in (chosen, *children):
            pruned = _pruned(bench, child)
            if pruned.is_at_floor and _all_help(bench, pruned):
                settled = _polished(bench, pruned)
                return Found(settled, True, alternatives=_alternatives(bench, settled, children))
        if chosen.mean < best.mean:
            best = chosen
        if _is_subsample(bench, chosen, children):
            subsample = chosen  # a second fault may still be told apart from it
        children.sort(key=lambda fit: fit.mean)
        states = _distinct([chosen, *children])[:_BEAM]
        if chosen.mean > _HOPELESS * reached or (step == 0 and is_bus()):
            break
        reached = chosen.mean
    if subsample is not None:
        return Found(_polished(bench, _pruned(bench, subsample)), True, is_subsample=True)
    return Found(best, False)


def _polished(bench: Bench, fit: Fit) -> Fit:
    """All numbers once more by least squares: a floor can be reached before their best values."""
    stems = tuple(change.stem for change in fit.model.changes)
    everywhere = np.ones_like(fit.loud_cells())
    for _ in range(_POLISHING):
        before = fit
        if any(not is_whole(change.lag) for change in fit.model.changes) and len(stems) > 1:
            for stem in stems:
                fit = with_kernel(bench, fit, stem, must_leave=1.0)
        has_whole_lags = all(is_whole(change.lag) for change in fit.model.changes)
        fit = bench.tuned(fit, stems, everywhere, holds_lags=has_whole_lags)
        if fit.mean > _POLISHED * before.mean:
            break
    return _all_simplified(bench, fit)


def _all_simplified(bench: Bench, fit: Fit) -> Fit:
    for change in fit.model.changes:
        fit = _simplified(bench, fit, change.stem)
    return fit


def _children(bench: Bench, state: Fit) -> list[Fit]:
    """The state with one more stem changed, refined; the best guesses only."""
    proposer = Proposer(bench, state)
    if proposer.is_quiet:
        return []
    taken = {change.stem for change in state.model.changes}
    taken |= {cut.stem for cut in state.model.cuts}
    guesses: list[Proposal] = []
    for stem in range(len(bench.parts.stems)):
        if stem not in taken:
            own = sorted(proposer.of_stem(stem), key=lambda guess: -guess.explained)
            guesses += own[:_A_STEM]
    guesses.sort(key=lambda guess: -guess.explained)
    children: list[Fit] = []
    for guess in guesses[:_REFINED]:
        is_settled = any(child.is_at_floor for child in children)
        if guess.explained < _WORTH * guesses[0].explained:
            break
        if not is_settled or guess.explained > _AS_GOOD * proposer.energy:
            children.append(refined(bench, state, guess.change))
    return children


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
    fit = _simplified(bench, _with_level(bench, fit, change.stem, where), change.stem)
    return _with_kernels(bench, fit)


def _with_kernels(bench: Bench, fit: Fit) -> Fit:
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


def _with_move(bench: Bench, state: Fit, fit: Fit, stem: int) -> Fit:
    """A section that looks like one at another level may have been moved instead."""
    change = fit.model.change_of(stem)
    if change is None or change.span is None or change.is_moved or fit.is_at_floor:
        return fit
    proposer = Proposer(bench, state, change.span)
    if proposer.is_quiet:
        return fit
    best = fit
    for guess in proposer.whole_lags_of(stem):
        trial = bench.fit(fit.model.with_change(replace(guess.change, span=change.span)))
        trial = bench.spanned(trial, stem)
        best = min(best, trial, key=lambda each: each.mean)
    return best


def _throughout(bench: Bench, fit: Fit, stem: int) -> Fit:
    """A broken lag holds all the time, unless that leaves clearly more.

    Where it seems to hold for a while only, that often hides what another interpolator left.
    """
    change = fit.model.change_of(stem)
    if change is None or change.span is None or is_whole(change.lag):
        return fit
    whole = bench.fit(fit.model.with_change(replace(change, span=None)))
    trial = with_kernel(bench, whole, stem)
    is_as_good = trial.mean <= _FAR_TIE * fit.mean or trial.is_at_floor
    return trial if is_as_good or _is_needed(bench, trial, stem) else fit


def _with_level(bench: Bench, fit: Fit, stem: int, where: np.ndarray) -> Fit:
    """A moved stem may be at another level besides; taken only where that leaves half or less."""
    change = fit.model.change_of(stem)
    if change is None or change.form != "as-is" or fit.is_at_floor:
        return fit
    freed = fit.model.with_change(replace(change, form="level"))
    trial = bench.tuned(bench.fit(freed), (stem,), where)
    return trial if trial.mean < _LEVEL_MUST_LEAVE * fit.mean else fit


def _simplified(bench: Bench, fit: Fit, stem: int) -> Fit:
    """Round what can be rounded without leaving more: lags to samples, factors to 1, 0 and -1."""
    for _ in range(2):
        for change in _simpler_changes(fit.model, stem):
            trial = _refitted(bench, fit, fit.model.with_change(change), stem)
            if trial.mean <= _tie(fit) * fit.mean and not _loses_a_lag(bench, fit, trial, stem):
                fit = trial
                break
        else:
            break
    return fit


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
    return fit.is_at_floor and after > before + _LAG_MUST_COST * fit.mean


def _tie(fit: Fit) -> float:
    return TIE if fit.over_floor < _NEAR else _FAR_TIE


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


def _pruned(bench: Bench, fit: Fit) -> Fit:
    """Drop every change without which the residual is as low."""
    for change in fit.model.changes:
        trial = _refitted(bench, fit, fit.model.without(change.stem), change.stem)
        if trial.mean <= TIE * fit.mean or (fit.is_at_floor and trial.is_at_floor):
            fit = trial
    for change in fit.model.changes if fit.is_at_floor else ():
        fit = _simplified(bench, _plainer(bench, fit, change), change.stem)
    return _with_whole_lags(bench, fit)


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
        trial = _simplified(bench, bench.tuned(freed, stems, everywhere), change.stem)
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


def simplest(fits: list[Fit]) -> Fit:
    """The fit with the fewest free numbers among those that are about as good as the best."""
    best = min(fits, key=lambda fit: fit.mean)
    good = [fit for fit in fits if fit.mean <= _tie(best) * best.mean]
    return min(good, key=lambda fit: (_freedom(fit.model), fit.mean))


def _freedom(model: Model) -> int:
    return sum(change.freedom for change in model.changes)


def _alternatives(
    bench: Bench, fit: Fit, children: list[Fit] | None
) -> tuple[tuple[int, Change], ...]:
    """For every change, those of other stems, or by other lags, that do as well in its place."""
    told: list[tuple[int, Change]] = []
    for change in fit.model.changes:
        if children is None or len(fit.model.changes) > 1:
            children = _children(bench, bench.fit(fit.model.without(change.stem)))
        for child in children:
            other = child.model.changes[-1]
            is_alone = len(child.model.changes) == len(fit.model.changes)
            is_as_good = child.is_at_floor and child.mean <= TIE * fit.mean
            if is_alone and is_as_good and _is_other(other, change):
                told.append((change.stem, other))
    return tuple(told)


def _is_other(one: Change, other: Change) -> bool:
    return one.stem != other.stem or abs(one.lag - other.lag) >= 1.0


def _distinct(fits: list[Fit]) -> list[Fit]:
    """One fit for each set of changed stems and forms, in order."""
    seen: dict[tuple[tuple[int, str], ...], Fit] = {}
    for fit in fits:
        key = tuple(sorted((change.stem, change.form) for change in fit.model.changes))
        seen.setdefault(key, fit)
    return list(seen.values())


def _is_subsample(bench: Bench, chosen: Fit, rivals: list[Fit]) -> bool:
    """A broken lag that leaves 30 dB less than without it, and far less than any other stem's.

    Beside it, other changes count that leave 30 dB less too.
    """
    changes = chosen.model.changes
    is_broken = any(
        not is_whole(change.lag) and change.form in ("as-is", "level") for change in changes
    )
    if not is_broken or not all(_is_needed(bench, chosen, change.stem) for change in changes):
        return False
    stems = {change.stem for change in changes}
    others = [
        fit.mean
        for fit in rivals
        if len(fit.model.changes) == len(changes)
        and {change.stem for change in fit.model.changes} != stems
    ]
    return chosen.mean * _RIVAL < min(others, default=np.inf)


def _all_help(bench: Bench, fit: Fit) -> bool:
    """Tell whether every change helps where it can be judged: none may only hide what is left."""
    known = bench.excerpts.known(fit.model, bench.parts.frames)[:, None, :]
    for change in fit.model.changes:
        without = bench.fit(fit.model.without(change.stem)).residual * known
        if float(np.square(without).sum()) < _HELP * fit.energy:
            return False
    return True


def _is_needed(bench: Bench, fit: Fit, stem: int) -> bool:
    return fit.mean <= _SUBSAMPLE_DROP * bench.fit(fit.model.without(stem)).mean
