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


def hidden_cuts(parts: SumSet, model: Model, cuts: Iterable[Cut]) -> Iterator[Cut]:
    """Those of ``cuts`` inside the model's first whose stem is seen to go on in the mix.

    The model may hold no changes besides.
    """
    low, high = model.cuts[0].span
    known = {cut.stem for cut in model.cuts}
    for cut in cuts:
        is_inside = low <= cut.span[0] and cut.span[1] <= high
        if cut.stem not in known and is_inside and is_seen_to_go_on(parts, model, cut):
            yield cut


def is_seen_to_go_on(parts: SumSet, model: Model, cut: Cut) -> bool:
    """Tell whether the residual turns where a stem breaks off, or where it sets in again."""
    if cut.peak < _LOUD:
        return False
    begin, end = cut.span
    lost = [known.span for known in model.cuts if known.stem != cut.stem]
    return (begin > 0 and _turns(parts, model, cut.stem, _before(begin, lost), begin)) or (
        end < parts.frames
        and _turns(parts, model, cut.stem, _after(end, lost, parts.frames), end, is_backward=True)
    )


def _before(edge: int, lost: Iterable[Span]) -> Span:
    """Past of an edge, as far as the same stems lack sound, and what follows."""
    turns = [at for span in lost for at in span if at < edge]
    return max(edge - _PAST, 0, *turns), edge + _AHEAD


def _after(edge: int, lost: Iterable[Span], frames: int) -> Span:
    """The same in reverse."""
    turns = [at for span in lost for at in span if at > edge]
    return max(edge - _AHEAD, 0), min(edge + _PAST, frames, *turns)


def _turns(
    parts: SumSet, model: Model, stem: int, around: Span, edge: int, *, is_backward: bool = False
) -> bool:
    """Tell whether the residual turns at ``edge`` as it has to where the stem goes on.

    Both are foretold by linear prediction from before the edge, or backwards from after it.
    """
    residual, sound = read_around(parts, model, stem, around)
    place = edge - around[0]
    if is_backward:
        residual, sound, place = residual[:, ::-1], sound[:, ::-1], around[1] - edge
    if place < _LEAST_PAST or residual.shape[1] < place + _AHEAD:
        return False
    if float(np.square(residual[:, :place]).mean()) < _SOUNDS * floor_of(parts, model.gain).power:
        return False  # what was lost begins there: it may be the same player on another track
    surprise = expected = noise = left = 0.0
    for own, heard in zip(residual, sound, strict=True):
        rule = prediction(own[:place])
        before = surprises(own[:place], rule)
        going_on = np.concatenate((np.zeros(place), foretold(heard[:place], _AHEAD)))
        turn = surprises(going_on, rule)[-_AHEAD:]
        seen = surprises(own, rule)[-_AHEAD:]
        weight = weight_of(parts, before)
        surprise += weight * float(seen @ turn)
        expected += weight * float(turn @ turn)
        left += weight * float(np.square(seen - turn).sum())
        noise += _AHEAD
    if expected < _STANDS_OUT**2:
        return False
    is_usual = left < _USUAL**2 * noise or left < _ALIKE**2 * expected
    return is_usual and abs(surprise / expected - 1) < _ALIKE
