"""Sets that do not null because stems fall silent in mid-sound, alone or beside other faults."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from stemprep.model.null_test import NullCause
from stemprep.summing.confirming import confirmed
from stemprep.summing.cuts import abrupt_cuts, is_cut, share_inside, with_exact_sections
from stemprep.summing.excerpts import read_excerpts
from stemprep.summing.hidden import hidden_cuts, is_seen_to_go_on
from stemprep.summing.model import Cut, Model
from stemprep.summing.parts import SumSet
from stemprep.summing.refine import Bench
from stemprep.summing.residual import Cells, model_pass
from stemprep.summing.search import search
from stemprep.summing.telling import CERTAIN, Explanation, causes_of, told_of
from stemprep.summing.theory import floor_of
from stemprep.units import ratio_from_db

_MUST_HOLD = 0.95
"""A cut outside of which almost as much is left as with it explains nothing."""

MAX_SEARCHES = 2
_HEARD = ratio_from_db(-90)
"""A search is long: only a stem that breaks off higher than that is worth one."""
_NEARLY_ALL = 0.9
_HIDDEN_CERTAIN = 0.6


@dataclass(frozen=True, slots=True)
class _Held:
    """A model with one cut, and what it leaves beside the cut."""

    cut: Cut
    model: Model
    cells: Cells


def explained_by_one_cut(parts: SumSet, model: Model, cells: Cells) -> Explanation | None:
    """The set explained by stems that fall silent where nearly all of the residual lies.

    Cheap, so it comes before the search.
    """
    cuts = abrupt_cuts(parts, cells)
    likely = [cut for cut in cuts if share_inside(cells, cut) > _NEARLY_ALL]
    return _by_one(parts, model, _held(parts, model, cells, likely), cuts)


def explained_by_cuts(parts: SumSet, model: Model, cells: Cells) -> Explanation | None:
    """The set explained by one stem that falls silent, by two, or by one beside other changes."""
    cuts = abrupt_cuts(parts, cells)
    useful = _held(parts, model, cells, cuts)
    return (
        _by_one(parts, model, useful, cuts)
        or _by_two(parts, model, useful)
        or _beside_changes(parts, useful)
    )


def _held(parts: SumSet, model: Model, cells: Cells, cuts: Sequence[Cut]) -> list[_Held]:
    """The model with each cut that takes away some of what is left."""
    useful: list[_Held] = []
    for cut in cuts:
        held = model.with_cut(cut)
        left = model_pass(parts, held)
        if left.power.sum() < _MUST_HOLD * cells.power.sum():
            useful.append(_Held(cut, held, left))
    return useful


def _by_one(
    parts: SumSet, model: Model, useful: Sequence[_Held], cuts: Sequence[Cut]
) -> Explanation | None:
    floor = floor_of(parts, model.gain)
    alone = [each for each in useful if each.cells.is_within(floor)]
    fitting = [each for each in alone if is_cut(parts, each.model, each.cut, floor.peak)]
    if not fitting:
        return None
    return _with_hidden(parts, _alone(parts, fitting), fitting[0].model, cuts)


def _alone(parts: SumSet, fitting: Sequence[_Held]) -> Explanation:
    share = CERTAIN / len(fitting)
    told = [causes_of(parts, each.model, share)[0] for each in fitting]
    first = replace(told[0], alternatives=tuple(told[1:]))
    return Explanation((first,), fitting[0].model.gain)


def _by_two(parts: SumSet, model: Model, useful: Sequence[_Held]) -> Explanation | None:
    """Two stems that fall silent at times of their own."""
    floor = floor_of(parts, model.gain)
    for one, other in combinations([each.cut for each in useful], 2):
        held = model.with_cut(one).with_cut(other)
        if one.stem == other.stem or not model_pass(parts, held).is_within(floor):
            continue
        seen = [is_cut(parts, held, cut, floor.peak) for cut in (one, other)]
        if any(seen) and all(
            is_clear or is_seen_to_go_on(parts, model, cut)
            for is_clear, cut in zip(seen, (one, other), strict=True)
        ):
            return Explanation(causes_of(parts, held, CERTAIN), model.gain)
    return None


def _beside_changes(parts: SumSet, useful: Sequence[_Held]) -> Explanation | None:
    heard = [each for each in useful if each.cut.peak > _HEARD]
    for each in heard[:MAX_SEARCHES]:
        bench = Bench(parts, read_excerpts(parts, each.cells))
        found = search(bench, bench.fit(each.model))
        if not found.is_explained:
            continue
        whole = confirmed(parts, found.fit.model, spans_are_known=bench.excerpts.is_whole)
        is_settled = whole.cells.is_within(found.fit.floor) or found.is_subsample
        limit = max(found.fit.floor.peak, whole.cells.highest)
        if is_settled and is_cut(parts, whole.model, each.cut, limit):
            exact = with_exact_sections(parts, whole.model, found.fit.floor)
            return Explanation(told_of(parts, exact, found), whole.model.gain)
    return None


def _with_hidden(
    parts: SumSet, told: Explanation, model: Model, cuts: Sequence[Cut]
) -> Explanation:
    """With the stems that are seen to break off while the first one lacks sound."""
    hidden: list[NullCause] = []
    for cut in hidden_cuts(parts, model, cuts):
        hidden += causes_of(parts, replace(model, cuts=(cut,)), _HIDDEN_CERTAIN)
    return replace(told, causes=(*told.causes, *hidden))
