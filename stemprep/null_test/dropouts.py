"""Stems that end, begin or fall silent in mid-sound where the mix goes on.

What is lost cannot be computed, but the residual begins on the very sample where the stem ends.
Where another stem already lacks sound, a second one is seen by what begins at its edge alone: the
residual takes a turn there that its own past does not predict, and that the stem's past does.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from stemprep.null_test.limits import EDGE_ALIKE, EDGE_STANDS_OUT, floor_of
from stemprep.null_test.model import Cut, Model, Span
from stemprep.null_test.parts import Planar, Stored, SumSet
from stemprep.null_test.prediction import foretold, prediction, read_around, surprises, weight_of
from stemprep.null_test.residual import Cells, blocks_of, residual_blocks
from stemprep.units import ratio_from_db

Places = npt.NDArray[np.intp]

_DITHER_STEPS = 2.5
"""TPDF dither on silence never exceeds two codes."""

_FLOAT_SILENCE = 1e-8
_NEAR = 128
_ABRUPT = ratio_from_db(-130)
_ABRUPT_STEPS = 5
_ONSET = 64
_ONSET_OF_QUIET = 4096
"""The residual has to begin within so many samples of the stem's end; where the stem is hardly
higher than what word lengths leave, it rises over that later."""

_CLEARLY = 4.0
_HALF_POINT = 0.2
_TOGETHER = 1024
MAX_CUTS = 3
MAX_HOLES = 4
_INSIDE = 64
_SHORTEST_HOLE = 2048
_AT_ONCE, _HARD = 8, 0.25
"""A hard edge stands so high within so many samples; a fade of 5 ms does not."""
_MOST_GAPS = 64
"""Silences kept of each stem while it is read, the longest ones."""


@dataclass(frozen=True, slots=True)
class _Edge:
    """Where a stem's sound begins or ends, and how high it stands there.

    is_to_zero: beside it there is nothing at all, not even the last steps of a fade.
    """

    at: int
    peak: float
    is_hard: bool
    is_to_zero: bool


@dataclass(slots=True)
class _Outline:
    """Where one stem sounds: its first and last sample, and silences between two of them."""

    first: _Edge | None = None
    last: _Edge | None = None
    gaps: list[tuple[_Edge, _Edge]] = field(default_factory=list)


def abrupt_cuts(parts: SumSet, cells: Cells) -> tuple[Cut, ...]:
    """Every stem that ends, begins or pauses in mid-sound inside the mix; none where most do.

    One pass. Spans reach from the edge to the end, or the begin, of the mix, or over the pause.
    cells: the residual; of the pauses those count in which most of it lies.
    """
    outlines = _outlines(parts)
    tails = list(_tails(parts, outlines))
    heads = list(_heads(parts, outlines))
    ends = [*_not_of_most(tails, len(parts.stems)), *_not_of_most(heads, len(parts.stems))]
    holes = [
        _cut(parts, stem, begin, end)
        for stem, outline in enumerate(outlines)
        for begin, end in outline.gaps
        if _is_abrupt(parts, stem, begin) and _is_abrupt(parts, stem, end)
    ]
    return (*_likeliest(ends, cells)[:MAX_CUTS], *_likeliest(holes, cells)[:MAX_HOLES])


def _not_of_most(cuts: list[Cut], stems: int) -> list[Cut]:
    """Without those that end, or begin, where most stems do: the mix is longer there."""

    def together(cut: Cut) -> int:
        return sum(
            all(abs(a - b) <= _TOGETHER for a, b in zip(cut.span, other.span, strict=True))
            for other in cuts
        )

    return [cut for cut in cuts if together(cut) <= max(1, stems // 2)]


def _likeliest(cuts: list[Cut], cells: Cells) -> list[Cut]:
    """Those first inside which most of the residual lies; short ones and hard edges before."""
    return sorted(cuts, key=lambda cut: likelihood(cells, cut), reverse=True)


def likelihood(cells: Cells, cut: Cut) -> float:
    """How much of the residual a cut holds, for its length; more with a hard edge."""
    length = (cut.span[1] - cut.span[0]) / (len(cells.power) * cells.frames)
    return share_inside(cells, cut) - _HALF_POINT * length + _HALF_POINT * cut.is_hard


def share_inside(cells: Cells, cut: Cut) -> float:
    """How much of the residual's energy lies inside a cut, 0..1."""
    inside = cells.power[cut.span[0] // cells.frames : -(-cut.span[1] // cells.frames)]
    return float(inside.sum() / max(float(cells.power.sum()), 1e-300))


def _cut(parts: SumSet, stem: int, begin: _Edge, end: _Edge) -> Cut:
    """The cut between two edges."""
    lower = min(begin, end, key=lambda edge: edge.peak)
    return Cut(
        stem,
        (begin.at + 1, end.at),
        lower.peak,
        is_hard=begin.is_hard and end.is_hard,
        is_faint=not _is_high(parts, stem, lower),
    )


def _tails(parts: SumSet, outlines: list[_Outline]) -> Iterator[Cut]:
    for stem, outline in enumerate(outlines):
        edge = outline.last
        if edge is not None and _is_abrupt(parts, stem, edge) and edge.at < parts.frames - _INSIDE:
            yield _cut(parts, stem, edge, replace(edge, at=parts.frames))


def _heads(parts: SumSet, outlines: list[_Outline]) -> Iterator[Cut]:
    for stem, outline in enumerate(outlines):
        edge = outline.first
        if edge is not None and _is_abrupt(parts, stem, edge) and edge.at > _INSIDE:
            yield _cut(parts, stem, replace(edge, at=-1), edge)


def _is_abrupt(parts: SumSet, stem: int, edge: _Edge) -> bool:
    is_stepped = parts.stems[stem].step > 0
    return _is_high(parts, stem, edge) or (is_stepped and edge.is_to_zero)


def _is_high(parts: SumSet, stem: int, edge: _Edge) -> bool:
    return edge.peak > max(_ABRUPT, _ABRUPT_STEPS * parts.stems[stem].step)


def _outlines(parts: SumSet) -> list[_Outline]:
    outlines = [_Outline() for _ in parts.stems]
    with parts.open() as (_, *streams):
        for start, end in blocks_of(parts.frames):
            for part, stream, outline in zip(parts.stems, streams, outlines, strict=True):
                threshold = _DITHER_STEPS * part.step or _FLOAT_SILENCE
                _extend(outline, start, stream.take(start, end), threshold)
    return outlines


def _extend(outline: _Outline, start: int, samples: Stored, threshold: float) -> None:
    """Take one block of a stem, the first sample being ``start``."""
    if float(samples.max(initial=0)) <= threshold and float(samples.min(initial=0)) >= -threshold:
        return
    sizes = np.abs(samples).max(axis=0)
    over = np.flatnonzero(sizes > threshold)
    first, last = int(over[0]), int(over[-1])
    risen = _rise(start, first, sizes)
    if outline.first is None:
        outline.first = risen
    elif outline.last is not None and risen.at - outline.last.at > _SHORTEST_HOLE:
        outline.gaps.append((outline.last, risen))
    for place in np.flatnonzero(np.diff(over) > _SHORTEST_HOLE):
        low, high = int(over[place]), int(over[place + 1])
        outline.gaps.append((_fall(start, low, sizes), _rise(start, high, sizes)))
    outline.gaps.sort(key=lambda gap: gap[0].at - gap[1].at)
    del outline.gaps[_MOST_GAPS:]
    outline.last = _fall(start, last, sizes)


def _rise(start: int, place: int, sizes: Planar) -> _Edge:
    return _edge(
        start + place, sizes[place : place + _NEAR], sizes[max(place - _AT_ONCE, 0) : place]
    )


def _fall(start: int, place: int, sizes: Planar) -> _Edge:
    sound = sizes[max(place - _NEAR, 0) : place + 1][::-1]
    return _edge(start + place, sound, sizes[place + 1 : place + 1 + _AT_ONCE])


def _edge(at: int, sound: Planar, beside: Planar) -> _Edge:
    """An edge from absolute samples, outwards in, and those of the silence beside it."""
    peak = float(sound.max())
    is_to_zero = len(beside) == _AT_ONCE and not beside.any()
    return _Edge(at, peak, float(sound[:_AT_ONCE].max()) > _HARD * peak, is_to_zero)


def is_cut(
    parts: SumSet, model: Model, cut: Cut, limit: float, exact: Collection[int] = ()
) -> bool:
    """Tell whether the residual begins where the stem ends, and ends where it begins again.

    One pass with the model; outside the cut the residual has to be below ``limit`` throughout. Of
    an edge inside another cut nothing is seen; one at least has to be. exact: stems whose moved
    section is known to the sample.
    """
    others = tuple(other for other in model.cuts if other is not cut)
    found = _extent_over(parts, replace(model, cuts=others), limit, exact)
    if found is None:
        return False
    (first, last), (begin, end) = found, cut.span
    reach = _ONSET if cut.peak > _CLEARLY * limit else _ONSET_OF_QUIET
    seen = []
    if begin > 0 and not _is_hidden(begin, others):
        seen.append(abs(first - begin) <= reach)
    if end < parts.frames and not _is_hidden(end, others):
        seen.append(abs(end - 1 - last) <= reach)
    return bool(seen) and all(seen)


def _is_hidden(edge: int, others: tuple[Cut, ...]) -> bool:
    return any(other.span[0] - _ONSET <= edge <= other.span[1] + _ONSET for other in others)


def _extent_over(parts: SumSet, model: Model, limit: float, exact: Collection[int]) -> Span | None:
    """First and last sample at which the model leaves more than ``limit``; None: nowhere."""
    first = last = None
    for start, places in _over(parts, model, limit, exact):
        if len(places):
            first = start + int(places[0]) if first is None else first
            last = start + int(places[-1])
    return None if first is None or last is None else (first, last)


def _over(
    parts: SumSet, model: Model, limit: float, exact: Collection[int]
) -> Iterator[tuple[int, Places]]:
    unknown = model.unknown(parts.frames, exact)
    for start, residual in residual_blocks(parts, model):
        high = np.abs(residual).max(axis=0)
        for low, end in unknown:
            high[max(low - start, 0) : max(end - start, 0)] = 0.0
        yield start, np.flatnonzero(high > limit)


_LOUD_EDGE = ratio_from_db(-60)
_PAST = 2048
_LEAST_PAST = 256
_AHEAD = 16
"""Samples (0.2 to 0.4 ms) for which a stem is foretold; after that music is not."""
_SOUNDS = 10.0
_USUAL = 3.0
"""What is left of the turn, as a multiple of what is usual: an attack leaves more."""


def hidden_cuts(parts: SumSet, model: Model, cuts: Iterable[Cut]) -> Iterator[tuple[Cut, bool]]:
    """Those of ``cuts`` inside the model's first whose stem is seen to go on in the mix.

    With whether it is sure: where nothing is left before, what goes on may be the lost sound, of
    one player on two tracks in turn. The model may hold no changes besides.
    """
    low, high = model.cuts[0].span
    known = {cut.stem for cut in model.cuts}
    for cut in cuts:
        is_inside = low <= cut.span[0] and cut.span[1] <= high
        if cut.stem in known or not is_inside:
            continue
        seen = _turning_edges(parts, model, cut)
        if seen:
            yield cut, any(seen)


def is_seen_to_go_on(parts: SumSet, model: Model, cut: Cut) -> bool:
    """Tell whether the residual turns where a stem breaks off, or where it sets in again."""
    return bool(_turning_edges(parts, model, cut))


def _turning_edges(parts: SumSet, model: Model, cut: Cut) -> list[bool]:
    """For each edge at which the residual turns: whether there was any before."""
    if cut.peak < _LOUD_EDGE:
        return []
    begin, end = cut.span
    lost = [known.span for known in model.cuts if known.stem != cut.stem]
    turns = []
    if begin > 0:
        turns.append(_turn(parts, model, cut.stem, _before(begin, lost), begin))
    if end < parts.frames:
        around = _after(end, lost, parts.frames)
        turns.append(_turn(parts, model, cut.stem, around, end, is_backward=True))
    return [turn for turn in turns if turn is not None]


def _before(edge: int, lost: Iterable[Span]) -> Span:
    """Past of an edge, as far as the same stems lack sound, and what follows."""
    turns = [at for span in lost for at in span if at < edge]
    return max(edge - _PAST, 0, *turns), edge + _AHEAD


def _after(edge: int, lost: Iterable[Span], frames: int) -> Span:
    """The same in reverse."""
    turns = [at for span in lost for at in span if at > edge]
    return max(edge - _AHEAD, 0), min(edge + _PAST, frames, *turns)


def _turn(
    parts: SumSet, model: Model, stem: int, around: Span, edge: int, *, is_backward: bool = False
) -> bool | None:
    """Whether there is a residual before ``edge``; None where it does not turn as the stem goes on.

    Both are foretold by linear prediction from before the edge, or backwards from after it.
    """
    residual, sound = read_around(parts, model, stem, around)
    place = edge - around[0]
    if is_backward:
        residual, sound, place = residual[:, ::-1], sound[:, ::-1], around[1] - edge
    if place < _LEAST_PAST or residual.shape[1] < place + _AHEAD:
        return None
    surprise = expected = noise = left = 0.0
    for own, heard in zip(residual, sound, strict=True):
        rule = prediction(own[:place])
        past = surprises(own[:place], rule)
        going_on = np.concatenate((np.zeros(place), foretold(heard[:place], _AHEAD)))
        turn = surprises(going_on, rule)[-_AHEAD:]
        seen = surprises(own, rule)[-_AHEAD:]
        weight = weight_of(parts, past)
        surprise += weight * float(seen @ turn)
        expected += weight * float(turn @ turn)
        left += weight * float(np.square(seen - turn).sum())
        noise += _AHEAD
    if expected < EDGE_STANDS_OUT**2:
        return None
    is_usual = left < _USUAL**2 * noise or left < EDGE_ALIKE**2 * expected
    if not is_usual or abs(surprise / expected - 1) >= EDGE_ALIKE:
        return None
    before = float(np.square(residual[:, :place]).mean())
    return before > _SOUNDS * floor_of(parts, model.gain).power
