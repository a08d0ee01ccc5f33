"""Search for changes of single stems that bring the residual down to what word lengths leave."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from stemprep.null_test.excerpts import OutOfWorkError
from stemprep.null_test.fit import Bench, Fit
from stemprep.null_test.limits import (
    AS_GOOD,
    HOPELESS,
    MUST_HELP,
    SAME_GAIN,
    SAME_TIME_SAMPLES,
    SUBSAMPLE_RIVAL,
    TIE,
    WORTH_REFINING,
)
from stemprep.null_test.model import Change, Model, is_whole
from stemprep.null_test.propose import Proposal, Proposer
from stemprep.null_test.simplify import (
    all_simplified,
    hides_more_than_it_tells,
    is_needed,
    polished,
    pruned,
    refined,
    simplest,
    throughout,
)

MAX_CHANGES = 3
_REFINED = 8
_A_STEM = 4
_BEAM = 2


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
    left_by_bus: Callable[[], float] = lambda: math.inf,
) -> Found:
    """The simplest model that explains the excerpts; ``is_explained`` False where none does.

    jointly: changes of level alone that explain everything, where there are such; one change of
    another kind that leaves no more is preferred to several of them.
    left_by_bus: asked when one change alone does not do: the mean square that is left when what
    the mix bus did is undone. Where that is less than with the change, it looks no further.
    """
    levels: Fit | None = None
    if jointly is not None and len(jointly.model.changes) > 1:
        levels = pruned(bench, all_simplified(bench, jointly))
    found = _step_by_step(bench, start, left_by_bus, 1 if levels is not None else MAX_CHANGES)
    if levels is None or (found.is_explained and found.fit.mean <= TIE * levels.mean):
        return found
    return Found(levels, True, alternatives=_alternatives(bench, levels, None))


def _step_by_step(bench: Bench, start: Fit, left_by_bus: Callable[[], float], steps: int) -> Found:
    """One change more in each step, until nothing is left or nothing helps."""
    states = [start]
    best, reached = start, start.mean
    subsample: Fit | None = None
    for step in range(steps):
        children = [child for state in states for child in _children(bench, state)]
        if not children:
            break
        chosen = simplest(children)
        settled = _settled(bench, (chosen, *children), has_simpler=subsample is not None)
        if settled is not None and settled.is_at_floor:
            return Found(settled, True, alternatives=_alternatives(bench, settled, children))
        if settled is not None:
            return Found(settled, True, is_subsample=True)
        if chosen.mean < best.mean:
            best = chosen
        if _is_subsample(bench, chosen, children):
            subsample = chosen  # a second fault may still be told apart from it
        children.sort(key=lambda fit: fit.mean)
        states = _distinct([chosen, *children])[:_BEAM]
        if chosen.mean > HOPELESS * reached:
            break
        if step == 0 and left_by_bus() < chosen.mean:
            break
        reached = chosen.mean
    if subsample is not None:
        settled = polished(bench, throughout(bench, pruned(bench, subsample)))
        if any(not is_whole(change.lag) for change in settled.model.changes):
            return Found(settled, True, is_subsample=True)
        best = min(best, settled, key=lambda fit: fit.mean)
    return Found(best, False)


def is_of_the_mix(bench: Bench, model: Model) -> bool:
    """Tell whether all stems that sound, two at least, are changed alike: then the mix was."""
    sounding = {stem for stem in range(len(model.routes)) if np.any(bench.excerpts.stems[stem])}
    changed = [change for change in model.changes if change.stem in sounding]
    if len(changed) < 2 or len(changed) < len(sounding):
        return False
    first = changed[0]
    return all(
        change.lag == first.lag
        and np.allclose(_sides(change, model), _sides(first, model), rtol=SAME_GAIN, atol=SAME_GAIN)
        and _is_same_time(change, first)
        for change in changed
    )


def _sides(change: Change, model: Model) -> np.ndarray:
    """How loud each side of the mix has the stem, by what it would have as it is."""
    return np.asarray(change.matrix.sum(axis=1) / model.routes[change.stem].sum(axis=1))


def _is_same_time(one: Change, other: Change) -> bool:
    if one.span is None or other.span is None:
        return one.span is other.span
    return all(abs(a - b) <= SAME_TIME_SAMPLES for a, b in zip(one.span, other.span, strict=True))


def _settled(bench: Bench, fits: Iterable[Fit], *, has_simpler: bool) -> Fit | None:
    """The first that reaches the floor, plain, with its best numbers; None where none does.

    A broken lag that reaches it by holding for a while only is told as holding all the time, though
    that leaves a little more. has_simpler: another explains it so with fewer changes.
    """
    for fit in fits:
        plain = pruned(bench, fit)
        if not (plain.is_at_floor and _all_help(bench, plain)):
            continue
        settled = polished(bench, throughout(bench, plain))
        if settled.is_at_floor or not has_simpler:
            return settled
    return None


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
        if guess.explained < WORTH_REFINING * guesses[0].explained:
            break
        if not is_settled or guess.explained > AS_GOOD * proposer.energy:
            children.append(refined(bench, state, guess.change))
    return children


def _alternatives(
    bench: Bench, fit: Fit, children: list[Fit] | None
) -> tuple[tuple[int, Change], ...]:
    """For every change, those of other stems, or by other lags, that do as well in its place.

    None where the work is used up: what was found stands.
    """
    try:
        return _sought_alternatives(bench, fit, children)
    except OutOfWorkError:
        return ()


def _sought_alternatives(
    bench: Bench, fit: Fit, children: list[Fit] | None
) -> tuple[tuple[int, Change], ...]:
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
    if not is_broken or any(map(hides_more_than_it_tells, changes)):
        return False
    if not all(is_needed(bench, chosen, change.stem) for change in changes):
        return False
    stems = {change.stem for change in changes}
    others = [
        fit.mean
        for fit in rivals
        if len(fit.model.changes) == len(changes)
        and {change.stem for change in fit.model.changes} != stems
    ]
    return chosen.mean * SUBSAMPLE_RIVAL < min(others, default=np.inf)


def _all_help(bench: Bench, fit: Fit) -> bool:
    """Tell whether every change helps where it can be judged: none may only hide what is left."""
    known = bench.excerpts.known(fit.model, bench.parts.frames)[:, None, :]
    for change in fit.model.changes:
        if hides_more_than_it_tells(change):
            return False
        without = bench.fit(fit.model.without(change.stem)).residual * known
        if float(np.square(without).sum()) < MUST_HELP * fit.energy:
            return False
    return True
