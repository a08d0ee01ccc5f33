"""Linear prediction, and sound without all that is predictable: little parts are heard there.

J. Makhoul, Linear prediction: a tutorial review, Proc. IEEE 63, 1975; the covariance method.
What is left of music after linear prediction is far quieter than the music, and the part that a
stem has in a residual is the same in both.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from stemprep.null_test.limits import floor_of
from stemprep.null_test.model import Model, Span
from stemprep.null_test.parts import Planar, SumSet, routed

ORDER = 32
_RIDGE = 1e-9


def prediction(samples: Planar) -> Planar:
    """Coefficients, shape (ORDER,), of the samples before, the nearest first; of one channel.

    samples: more than ORDER, at best many times as many.
    """
    rows = np.lib.stride_tricks.sliding_window_view(samples[:-1], ORDER)[:, ::-1]
    normal = rows.T @ rows
    normal += _RIDGE * (np.trace(normal) / ORDER + 1e-30) * np.eye(ORDER)
    return np.asarray(np.linalg.solve(normal, rows.T @ samples[ORDER:]))


def surprises(samples: Planar, rule: Planar) -> Planar:
    """What the prediction misses, from the first sample on that has a whole past."""
    return np.convolve(samples, np.concatenate(([1.0], -rule)), mode="valid")


def foretold(past: Planar, count: int) -> Planar:
    """The next samples as the past foretells them."""
    rule = prediction(past)
    samples = np.concatenate((past[-ORDER:], np.zeros(count)))
    for place in range(ORDER, ORDER + count):
        samples[place] = rule @ samples[place - ORDER : place][::-1]
    return samples[ORDER:]


PIECE = 8192
"""Samples for which one prediction holds."""
_FLOAT32_STEP = 2.0**-23
_OVER_ERROR = 30.0
"""Times its quantising error's power that a stem has to hold to be heard."""


def share_of(
    parts: SumSet, stem: int, residual: Planar, sound: Planar, expected: float, rounds: int = 1
) -> tuple[float, float]:
    """How much of a sound is in the residual, and its standard error; ``expected`` for a start.

    rounds: how often the prediction is made anew from what the last share leaves.
    """
    for _ in range(rounds):
        along = own = 0.0
        for row, heard_row in zip(residual, sound, strict=True):
            rule = prediction(row - expected * heard_row)
            seen, heard = surprises(row, rule), heard_of(parts, stem, heard_row, rule)
            weight = weight_of(parts, seen - expected * heard)
            along += weight * float(seen @ heard)
            own += weight * float(heard @ heard)
        if own <= 0:
            return 0.0, np.inf
        expected = along / own
    return expected, own**-0.5


def weight_of(parts: SumSet, left: Planar) -> float:
    """One over the power of what is left; word lengths leave something even in silence."""
    return 1 / max(float(np.square(left).mean()), floor_of(parts).power)


def heard_of(parts: SumSet, stem: int, sound: Planar, rule: Planar) -> Planar:
    """What the prediction misses of a stem; zeros where that is but its own quantising error.

    That error is in the residual too, for the mix was summed before.
    """
    part = parts.stems[stem]
    step = part.step or _FLOAT32_STEP * float(np.abs(sound).max(initial=0.0))
    missed = surprises(sound, rule)
    error = step**2 / 4 * (1 + float(rule @ rule))
    return missed if float(np.square(missed).mean()) > _OVER_ERROR * error else 0.0 * missed


def pieces(
    parts: SumSet, model: Model, within: Span, stems: list[int]
) -> Iterator[tuple[int, Planar, list[Planar]]]:
    """Start, residual and sounds of some stems in the mix, piece by piece, with some past.

    A short rest is joined to the piece before it.
    """
    edges = [*range(within[0], within[1], PIECE), within[1]]
    if len(edges) > 2 and edges[-1] - edges[-2] < PIECE // 2:
        del edges[-2]
    with parts.open() as (mix_stream, *streams):
        for start, after in pairwise(edges):
            end = min(after + ORDER, within[1])
            residual = mix_stream.take(start, end).astype(np.float64)
            sounds = []
            for index, stream in enumerate(streams):
                heard = model.gain * routed(model.routes[index], stream.take(start, end))
                residual -= heard
                if index in stems:
                    sounds.append(heard)
            yield start, residual, sounds


def read_around(parts: SumSet, model: Model, stem: int, around: Span) -> tuple[Planar, Planar]:
    """What the stems as they are leave of the mix, and one of them as it goes into it."""
    with parts.open() as (mix_stream, *streams):
        residual = mix_stream.take(*around).astype(np.float64)
        sound = np.zeros_like(residual)
        for index, stream in enumerate(streams):
            heard = model.gain * routed(model.routes[index], stream.take(*around))
            residual -= heard
            if index == stem:
                sound = heard
    return residual, sound
