"""Stems that fall silent while another already lacks sound: seen only by what jumps at their edge.

Where one stem is cut short, what is left of the mix is its lost sound, and whether a second one is
lost too cannot be computed. But a stem that breaks off at a height goes on in the mix: there the
residual jumps by that height from one sample to the next, as no music does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from stemprep.summing.model import Cut, Model
from stemprep.summing.parts import Planar, SumSet, routed
from stemprep.units import ratio_from_db

_REACH = 64
_LOUD = ratio_from_db(-60)
_STANDS_OUT = 6.0
"""Times the RMS of the residual's steps from sample to sample around."""
_ALIKE = 0.35


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
    """Tell whether the residual jumps where a stem breaks off, or where it sets in again."""
    if not cut.is_hard or cut.peak < _LOUD:
        return False
    begins = cut.span[0] > 0 and _goes_on(parts, model, cut.stem, cut.span[0], -1)
    return begins or (
        cut.span[1] < parts.frames and _goes_on(parts, model, cut.stem, cut.span[1], 0)
    )


def _goes_on(parts: SumSet, model: Model, stem: int, edge: int, beside: int) -> bool:
    """Tell whether the residual jumps at ``edge`` by the stem's sample there.

    beside: -1 where the stem's last sample lies before the edge, 0 where its first lies on it.
    """
    start, end = max(edge - _REACH, 0), min(edge + _REACH, parts.frames)
    residual, sound = _around(parts, model, stem, start, end)
    place = edge - start
    steps = np.diff(residual, axis=1)
    jump = steps[:, place - 1]
    expected = sound[:, place + beside] * (1.0 if beside else -1.0)
    others = np.delete(steps, place - 1, axis=1)
    usual = float(np.sqrt(np.square(others).mean()))
    height = float(np.abs(expected).max())
    return height > _STANDS_OUT * usual and float(np.abs(jump - expected).max()) < _ALIKE * height


def _around(parts: SumSet, model: Model, stem: int, start: int, end: int) -> tuple[Planar, Planar]:
    """What is left of the mix, and the stem as it goes into it."""
    with parts.open() as (mix_stream, *streams):
        residual = mix_stream.take(start, end).astype(np.float64)
        sound = np.zeros_like(residual)
        for index, stream in enumerate(streams):
            heard = model.gain * routed(model.routes[index], stream.take(start, end))
            residual -= heard
            if index == stem:
                sound = heard
    return residual, sound
