"""Stems that fall silent while another already lacks sound: seen only by what begins at their edge.

Where one stem is cut short, what is left of the mix is its lost sound, and whether a second one is
lost too cannot be computed. But a stem that breaks off at a height goes on in the mix: there the
residual takes a turn that its own past does not foretell, and that the stem's past does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from stemprep.summing.model import Cut, Model, Span
from stemprep.summing.parts import SumSet
from stemprep.summing.prediction import foretold, prediction, surprises
from stemprep.summing.theory import floor_of
from stemprep.summing.whitened import read_around, weight_of
from stemprep.units import ratio_from_db

_LOUD = ratio_from_db(-60)
_PAST = 2048
_LEAST_PAST = 256
_AHEAD = 16
"""Samples (0.2 to 0.4 ms) for which a stem is foretold; after that music is not."""
_STANDS_OUT = 8.0
"""Standard errors by which a stem that goes on has to change what is foretold of the residual."""
_ALIKE = 0.35
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
    if cut.peak < _LOUD:
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
    if expected < _STANDS_OUT**2:
        return None
    is_usual = left < _USUAL**2 * noise or left < _ALIKE**2 * expected
    if not is_usual or abs(surprise / expected - 1) >= _ALIKE:
        return None
    before = float(np.square(residual[:, :place]).mean())
    return before > _SOUNDS * floor_of(parts, model.gain).power
