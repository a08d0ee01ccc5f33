"""Sets that do not null because stems fall silent in mid-sound, alone or beside other faults."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from stemprep.model.null_test import NullCause
from stemprep.null_test.causes import (
    Explanation,
    causes_of,
    change_causes,
    or_a_missing_one,
    read_causes,
)
from stemprep.null_test.confirm import confirmed, moved_sections, with_exact_edges
from stemprep.null_test.dropouts import (
    hidden_cuts,
    is_cut,
    is_seen_to_go_on,
    likelihood,
    share_inside,
)
from stemprep.null_test.excerpts import OutOfWorkError, read_excerpts
from stemprep.null_test.fit import Bench
from stemprep.null_test.limits import (
    CERTAIN,
    CUT_MUST_LEAVE,
    HIDDEN_CERTAIN,
    NEARLY_ALL,
    NEGLIGIBLE,
    Floor,
    floor_of,
)
from stemprep.null_test.masked_changes import hidden_sections
from stemprep.null_test.model import Change, Cut, Model
from stemprep.null_test.parts import SumSet
from stemprep.null_test.residual import Cells, model_pass
from stemprep.null_test.search import search
from stemprep.units import ratio_from_db

MAX_SEARCHES = 4
_HEARD = ratio_from_db(-90)
"""A search is long: only a stem that breaks off higher than that is worth one."""


def explained_by_one_cut(
    parts: SumSet, model: Model, cells: Cells, cuts: Sequence[Cut]
) -> Explanation | None:
    """The set explained by stems that fall silent where nearly all of the residual lies.

    Cheap, so it comes before the search. cells: what the model leaves without a cut.
    """
    likely = [cut for cut in cuts if share_inside(cells, cut) > NEARLY_ALL and not cut.is_faint]
    return _by_one(parts, model, cells, likely, cuts)


def explained_by_cuts(
    parts: SumSet, model: Model, cells: Cells, cuts: Sequence[Cut]
) -> Explanation | None:
    """The set explained by one stem that falls silent, by two, or by one beside other changes."""
    faint = [cut for cut in cuts if cut.is_faint and _helps(cells, cut)]
    clear = [cut for cut in cuts if not cut.is_faint]
    useful = [cut for cut in clear if _helps(cells, cut)]
    return (
        _by_one(parts, model, cells, useful, clear)
        or _by_one(parts, model, cells, faint, clear)
        or _by_two(parts, model, cells, useful, clear)
        or _beside_changes(parts, model, cells, clear)
    )


def _helps(cells: Cells, cut: Cut) -> bool:
    return float(cells.outside([cut.span]).power.sum()) < CUT_MUST_LEAVE * float(cells.power.sum())


def _by_one(
    parts: SumSet, model: Model, cells: Cells, likely: Sequence[Cut], cuts: Sequence[Cut]
) -> Explanation | None:
    floor = floor_of(parts, model.gain)
    fitting = [
        cut
        for cut in likely
        if _is_all_inside(parts, model, cells, (cut,), floor)
        and is_cut(parts, model.with_cut(cut), cut, floor.peak)
    ]
    if not fitting:
        return None
    held = [model.with_cut(cut) for cut in fitting]
    equals = {cut.stem for cut in fitting}
    others = [cut for cut in cuts if cut.stem not in equals]
    return _with_hidden(parts, _alone(parts, held), held[0], others)


def _is_all_inside(
    parts: SumSet, model: Model, cells: Cells, cuts: tuple[Cut, ...], floor: Floor
) -> bool:
    """Tell whether nothing stands out beside the cuts.

    The cells that lie wholly beside them are known; only where these are quiet is it worth a pass.
    """
    if not cells.outside([cut.span for cut in cuts]).is_within(floor):
        return False
    return model_pass(parts, replace(model, cuts=cuts)).is_within(floor)


def _alone(parts: SumSet, held: Sequence[Model]) -> Explanation:
    share = CERTAIN / len(held)
    told = [causes_of(parts, model, share)[0] for model in held]
    first = replace(told[0], alternatives=tuple(told[1:]))
    if any(model.cuts[-1].is_faint for model in held):
        first = or_a_missing_one(first)
    return Explanation((first,), held[0].gain)


def _by_two(
    parts: SumSet, model: Model, cells: Cells, useful: Sequence[Cut], cuts: Sequence[Cut]
) -> Explanation | None:
    """Two stems that fall silent at times of their own; one may hold far less than the other."""
    floor = floor_of(parts, model.gain)
    for pair in _pairs(cells, useful, cuts):
        if not _is_all_inside(parts, model, cells, pair, floor):
            continue
        held = replace(model, cuts=pair)
        seen = [is_cut(parts, held, cut, floor.peak) for cut in pair]
        if any(seen) and all(
            is_clear or is_seen_to_go_on(parts, held, cut)
            for is_clear, cut in zip(seen, pair, strict=True)
        ):
            return Explanation(causes_of(parts, held, CERTAIN), model.gain)
    return None


def _pairs(cells: Cells, useful: Sequence[Cut], cuts: Sequence[Cut]) -> Iterator[tuple[Cut, Cut]]:
    """Cuts of two stems: one that helps, and one that helps where the first leaves something."""
    seen: set[frozenset[Cut]] = set()
    for first in useful:
        beside = cells.outside([first.span])
        for second in cuts:
            key = frozenset((first, second))
            if second.stem != first.stem and key not in seen and _helps(beside, second):
                seen.add(key)
                yield first, second


def _beside_changes(
    parts: SumSet, model: Model, cells: Cells, cuts: Sequence[Cut]
) -> Explanation | None:
    """One stem that falls silent beside other changes; or these alone, now that they are seen."""
    waiting = [cut for cut in cuts if cut.peak > _HEARD]
    left = cells
    for _ in range(MAX_SEARCHES):
        waiting = [cut for cut in waiting if share_inside(left, cut) > NEGLIGIBLE]
        if not waiting:
            break
        cut = max(waiting, key=lambda cut: likelihood(left, cut))
        waiting.remove(cut)
        bench = Bench(parts, read_excerpts(parts, cells.outside([cut.span])))
        found = search(bench, bench.fit(model.with_cut(cut)))
        if not found.is_explained:
            left = _left_by_lasting(parts, model, found.fit.model.changes, left)
            continue
        floor = found.fit.floor
        whole = confirmed(parts, found.fit.model, spans_are_known=bench.excerpts.is_whole)
        if not (whole.cells.is_within(floor) or found.is_subsample):
            continue
        exact = with_exact_edges(parts, whole.model, floor)
        limit = max(floor.peak, whole.cells.highest)
        if is_cut(parts, exact, cut, limit, moved_sections(exact)):
            causes = read_causes(bench, exact, found)
            return Explanation(causes, exact.gain)
        uncut = replace(exact, cuts=())
        if uncut.changes and model_pass(parts, uncut).is_within(floor):
            causes = read_causes(bench, uncut, found)
            return Explanation(causes, uncut.gain)
    return None


def _left_by_lasting(parts: SumSet, model: Model, changes: Sequence[Change], cells: Cells) -> Cells:
    """What the changes that hold throughout leave, where that is less: the next cut shows there."""
    lasting = tuple(change for change in changes if change.span is None)
    if not lasting:
        return cells
    left = model_pass(parts, replace(model, changes=lasting))
    return left if left.power.sum() < cells.power.sum() else cells


def _or(cause: NullCause, other: NullCause) -> NullCause:
    share = cause.confidence / 2
    return replace(
        cause,
        confidence=share,
        alternatives=(replace(other, confidence=share, alternatives=()),),
    )


def _with_hidden(
    parts: SumSet, told: Explanation, model: Model, cuts: Sequence[Cut]
) -> Explanation:
    """With the stems that are seen to break off while the first one lacks sound."""
    hidden: list[NullCause] = []
    try:
        for cut, is_sure in hidden_cuts(parts, model, cuts):
            (cause,) = causes_of(parts, replace(model, cuts=(cut,)), HIDDEN_CERTAIN)
            hidden.append(cause if is_sure else _or(cause, told.causes[0]))
        for change in () if hidden else hidden_sections(parts, model):
            hidden += change_causes(parts, model, change, HIDDEN_CERTAIN)
    except OutOfWorkError:
        pass  # what was found stands
    return replace(told, causes=(*told.causes, *hidden))
