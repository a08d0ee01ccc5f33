"""Sound that is in the sum twice: an effect or a bus that was printed into another stem besides.

What is left then is that sound once more, at some level and perhaps later. That alone does not say
where it comes from: a stem that is not in the mix, or louder than in it, leaves the same. The stem
that holds it is found by its own content.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from stemprep.model.null_test import NullCause
from stemprep.null_test.excerpts import MARGIN, MAX_LAG, WINDOW
from stemprep.null_test.fit import Bench, Fit
from stemprep.null_test.limits import CERTAIN, COPY_STANDS_OUT, NO_GAIN, PART_STANDS_OUT, SURE_GAIN
from stemprep.null_test.model import Change, Model
from stemprep.null_test.presence import banded_power, content
from stemprep.units import db_from_ratio

_LOUDEST_COPY = 2.0
"""6 dB over the file itself: an effect is printed into another file at its own level or below."""
_DOUBLE = 1e-6
"""Of a file's power: what is left of one that holds nothing but the other."""


def echoes(bench: Bench, fit: Fit, stems: Sequence[int]) -> list[Change]:
    """Those of ``stems`` of which the residual holds a copy later or earlier, the clearest first.

    By correlation of both, every band weighing by what else is left there (Knapp and Carter, The
    generalized correlation method, IEEE Trans. ASSP 24, 1976).
    """
    found: list[tuple[float, Change]] = []
    heard = (
        fit.residual
        * np.repeat(fit.loud_cells(), WINDOW // fit.loud_cells().shape[1], axis=1)[:, None, :]
    )
    size = WINDOW + 2 * MARGIN
    padded = np.zeros((*heard.shape[:2], size))
    padded[..., MARGIN : MARGIN + WINDOW] = heard
    left = np.fft.rfft(padded)
    weight = 1 / np.maximum(banded_power(left), 1e-20)
    for stem in stems:
        route = fit.model.routes[stem]
        bench.parts.spend(4 * bench.excerpts.stems[stem].size)
        sound = np.fft.rfft(route @ bench.excerpts.stems[stem].astype(np.float64))
        along = np.fft.irfft((np.conj(left) * sound * weight[:, None, :]).sum(axis=(0, 1)), size)
        own = float(np.sum(np.square(np.abs(sound)) * weight[:, None, :])) * 2 / size
        if own <= 0:
            continue
        around = np.concatenate((along[-MAX_LAG:], along[: MAX_LAG + 1]))
        spread = float(np.median(np.abs(around))) / 0.6745  # a normal deviation by its median
        around[MAX_LAG] = 0.0
        place = int(np.argmax(np.abs(around)))
        height = abs(float(around[place]))
        if height > COPY_STANDS_OUT * max(spread, 1e-30):
            factor = float(around[place]) / own
            lag = float(place - MAX_LAG)
            found.append((height / max(spread, 1e-30), Change(stem, "echo", factor * route, lag)))
    return [change for _, change in sorted(found, key=lambda each: -each[0])]


def with_holders(bench: Bench, model: Model, causes: Sequence[NullCause]) -> tuple[NullCause, ...]:
    """The causes, in which sound that another stem holds besides its own is that stem's fault."""
    held = {
        bench.parts.stems[change.stem].name: told
        for change in model.changes
        if (told := holder_of_change(bench, model, change)) is not None
    }
    read = [held.get(cause.file or "", cause) for cause in causes]
    return tuple(replace(c, file=None) if c.kind == "not-explained" else c for c in read)


def holder_of_change(bench: Bench, model: Model, change: Change) -> NullCause | None:
    """What a change is where another stem holds the sound; None where none does."""
    gain, lag = copy_of(model, change)
    if change.span is not None or not SURE_GAIN < gain < _LOUDEST_COPY:
        return None
    return holders_of(bench, model, change.stem, gain, lag)


def holders_of(
    bench: Bench, model: Model, contained: int, gain: float, lag: int
) -> NullCause | None:
    """The stem that holds another one at this gain besides its own sound; None: there is none."""
    holders = sorted(_holders(bench, model, contained, gain, lag))
    causes = [
        NullCause(
            kind="also-in",
            file=bench.parts.stems[holder].name,
            contains=bench.parts.stems[contained].name,
            gain_db=db_from_ratio(gain),
            lag_samples=float(lag),
            confidence=CERTAIN / len(holders),
        )
        for _, holder in holders
    ]
    return replace(causes[0], alternatives=tuple(causes[1:])) if causes else None


def copy_of(model: Model, change: Change) -> tuple[float, int]:
    """Gain and lag of what the sum holds of a stem beyond what the mix has; gain 0: nothing."""
    route = model.routes[change.stem]
    factor = float(np.sum(change.matrix * route) / np.sum(route * route))
    if change.form == "echo":
        return -factor, -round(change.lag)
    return (1 - factor if change.form == "level" and not change.is_moved else 0.0), 0


def _holders(
    bench: Bench, model: Model, contained: int, gain: float, lag: int
) -> Iterator[tuple[float, int]]:
    """Stems that hold the other one at this gain, with how far theirs is from it."""
    for holder in range(len(model.routes)):
        if holder == contained:
            continue
        found, error = content(bench, model, holder, contained, lag)
        is_sure = error * PART_STANDS_OUT < gain
        distance = abs(found - gain)
        is_near = is_sure and distance <= max(4 * error, NO_GAIN * gain)
        if is_near and not _is_double(bench, model, holder, contained, found, lag):
            yield distance, holder


def _is_double(
    bench: Bench, model: Model, holder: int, contained: int, gain: float, lag: int
) -> bool:
    """The one is nothing but the other."""
    here = slice(MARGIN - lag, MARGIN - lag + WINDOW)
    other = model.routes[contained] @ bench.excerpts.stems[contained][..., here]
    own = bench.routed_plain(holder, model)
    left = own - gain * other.astype(np.float64)
    return float(np.square(left).sum()) <= _DOUBLE * float(np.square(own).sum())
