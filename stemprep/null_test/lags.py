"""By how much a stem, or a section of it, was moved, and how whoever moved it interpolated.

Every interpolator is a filter near to a pure delay, and they differ near half the sample rate. The
difference is fitted as a short filter by least squares, so that what is left is the word length's
again, and a second fault is seen that would drown in it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from stemprep.null_test.excerpts import CELL, MARGIN, MAX_LAG, WINDOW, Excerpts
from stemprep.null_test.fit import Bench, Fit, Mask
from stemprep.null_test.limits import KERNEL_MUST_LEAVE, MOST_KERNEL_COLOUR
from stemprep.null_test.model import Change, Model, Span, covered, is_whole, moved, response
from stemprep.null_test.parts import Planar, Stored, routed

LAG_PEAKS = 2
PEAK_DISTANCE = 3
_FLOAT32_LOSES = 1e-3
"""Of a stem's power: a thousand times the rounding errors of correlations in float32."""


class LagErrors:
    """Correlations of stems with one residual, over some of its cells.

    energy: that of the residual in these cells; mask: (windows, WINDOW), their samples.
    """

    def __init__(self, bench: Bench, fit: Fit, cells: Mask) -> None:
        self._bench, self._fit = bench, fit
        self.mask = np.repeat(cells, CELL, axis=1)
        self.energy = float(np.einsum("kcw,kcw,kw->", fit.residual, fit.residual, self.mask))

    def wanted_energy(self, stem: int) -> float:
        """Energy of what the mix has once the stem is taken out of the model."""
        wanted = self._wanted(stem)
        return float(np.einsum("kcw,kcw,kw->", wanted, wanted, self.mask))

    def correlations(self, stem: int, *, is_sharp: bool = False) -> tuple[Planar, Planar]:
        """For every lag: what the mix wants of the stem times the moved stem, and its power.

        Lags from -MAX_LAG to MAX_LAG. is_sharp: of their differences from sample to sample, in
        which high partials and attacks stand out.
        """
        route = self._fit.model.routes[stem]
        wanted = self._wanted(stem)
        stored: Stored = self._bench.excerpts.stems[stem]
        if is_sharp:
            wanted, stored = np.diff(wanted, prepend=0.0), np.diff(stored, prepend=0.0)
        wanted *= self.mask[:, None, :]
        kind = self._precision(stored)
        heard = _padded(np.einsum("rc,krw->kcw", route, wanted), kind)
        stored = stored.astype(kind)
        cross = (np.conj(np.fft.rfft(heard)) * np.fft.rfft(stored)).sum(axis=(0, 1))
        squares = np.square(np.einsum("rc,kcw->krw", route.astype(kind), stored)).sum(axis=1)
        mask = np.conj(np.fft.rfft(_padded(self.mask, kind)))
        power = (mask * np.fft.rfft(squares)).sum(axis=0)
        size = WINDOW + 2 * MARGIN
        return _around_zero(np.fft.irfft(cross, size)), _around_zero(np.fft.irfft(power, size))

    def _wanted(self, stem: int) -> Planar:
        model = self._fit.model
        inner = self._bench.excerpts.inner(stem)
        return self._fit.residual + model.gain * routed(model.routes[stem], inner)

    def _precision(self, stored: Stored) -> type[np.floating]:
        """Float32 where what its sums lose is far below the energy to be explained."""
        power = float(np.einsum("kcw,kcw->", stored, stored, dtype=np.float64))
        return np.float32 if self.energy > _FLOAT32_LOSES * power else np.float64


def lowest(errors: Planar, count: int = LAG_PEAKS) -> list[int]:
    """The deepest places that are no neighbours of each other; lag 0 is no move."""
    left = errors.copy()
    left[MAX_LAG] = np.inf
    places: list[int] = []
    for _ in range(count):
        place = int(np.argmin(left))
        places.append(place)
        left[max(place - PEAK_DISTANCE, 0) : place + PEAK_DISTANCE + 1] = np.inf
    return places


def _padded(inner: npt.NDArray[np.generic], kind: type[np.floating]) -> Stored:
    """With the margins of the stems, filled with zeros."""
    padded = np.zeros((*inner.shape[:-1], WINDOW + 2 * MARGIN), kind)
    padded[..., MARGIN : MARGIN + WINDOW] = inner
    return padded


def _around_zero(circle: npt.NDArray[np.floating]) -> Planar:
    return np.concatenate((circle[-MAX_LAG:], circle[: MAX_LAG + 1])).astype(np.float64)


_MANY = 24
"""Moves that are tried, of each of two rankings."""


def section_moves(bench: Bench, fit: Fit, stem: int, span: Span) -> list[Change]:
    """The likeliest moves of a section by whole samples, at the stem's own level.

    Of a steady tone many are likely, and what the section covers at one edge speaks against the
    right one: so many are tried where the section covers nothing.
    """
    cells = fit.loud_cells() & _cells_in(span, bench.excerpts)
    if not cells.any():
        return []
    errors = LagErrors(bench, fit, cells)
    gain, route = fit.model.gain, fit.model.routes[stem]
    places: set[int] = set()
    for is_sharp in (False, True):
        wanted, power = errors.correlations(stem, is_sharp=is_sharp)
        places.update(lowest(gain * power - 2 * wanted, _MANY))
    known = bench.excerpts.known(fit.model, bench.parts.frames)

    def ranked(lags: set[int]) -> list[Change]:
        bench.parts.spend(len(lags) * _samples_inside(span, bench.excerpts) * len(route))
        changes = [Change(stem, "as-is", route, float(lag), span) for lag in sorted(lags - {0})]
        return sorted(changes, key=lambda each: _left_where_known(bench, fit, each, known))

    likely = ranked({place - MAX_LAG for place in places})[:LAG_PEAKS]
    lags = [round(change.lag) for change in likely]
    return ranked(
        {
            lag + beside
            for lag in lags
            for beside in range(-PEAK_DISTANCE, PEAK_DISTANCE + 1)
            if abs(lag + beside) <= MAX_LAG
        }
    )[:LAG_PEAKS]


def _samples_inside(span: Span, excerpts: Excerpts) -> int:
    """Samples of the excerpts that lie in a span."""
    return sum(
        max(min(span[1] - start, WINDOW) - max(span[0] - start, 0), 0) for start in excerpts.starts
    )


def _left_where_known(bench: Bench, fit: Fit, change: Change, known: Mask) -> float:
    """How much of the residual's energy a moved section leaves where it covers nothing.

    known: (windows, WINDOW), samples that can be judged by the fit's own model.
    """
    assert change.span is not None, "a section has a span"
    low, high = change.span
    first_lost, end_of_lost = covered(change.span, round(change.lag))
    low, high = (end_of_lost, high) if first_lost == low else (low, first_lost)
    left = before = 0.0
    for window, start in enumerate(bench.excerpts.starts):
        first, last = max(low - start, 0), min(high - start, WINDOW)
        if first >= last:
            continue
        residual = fit.residual[window, :, first:last]
        samples = bench.excerpts.stems[change.stem][window]
        place = MARGIN + first + round(change.lag)
        delta = samples[:, place : place + last - first].astype(np.float64)
        delta -= samples[:, MARGIN + first : MARGIN + last]
        after = residual - fit.model.gain * routed(change.matrix, delta)
        after *= known[window, first:last]
        left += float(np.einsum("cn,cn->", after, after))
        before += float(np.einsum("cn,cn->", residual, residual))
    return left / before if before > 0 else np.inf


def _cells_in(span: Span, excerpts: Excerpts) -> Mask:
    """(windows, cells) that lie in a span as a whole."""
    places = np.asarray(excerpts.starts)[:, None] + np.arange(0, WINDOW, CELL)[None, :]
    return np.asarray((places >= span[0]) & (places + CELL <= span[1]))


HALF = 256
_KERNEL_ROUNDS = 4
_RIDGE = 1e-11
_KERNEL_SETTLED = 0.9
_PASSBAND = 0.25
"""Of the sample rate: below this every interpolator is a pure delay (common practice)."""


def with_kernel(bench: Bench, fit: Fit, stem: int, *, must_leave: float = KERNEL_MUST_LEAVE) -> Fit:
    """The fit with the filter of one broken lag, where that leaves no more than ``must_leave``.

    A filter that colours the lower half of the band is none of an interpolator: the fit stays.
    """
    change = fit.model.change_of(stem)
    if change is None or is_whole(change.lag) or abs(change.lag) > MAX_LAG - HALF:
        return fit
    best = fit
    for _ in range(_KERNEL_ROUNDS):
        trial = bench.fit(best.model.with_change(_corrected(bench, best, stem)))
        is_settled = trial.mean > _KERNEL_SETTLED * best.mean
        best = min(best, trial, key=lambda each: each.mean)
        if is_settled or best.is_at_floor:
            break
    found = best.model.change_of(stem)
    assert found is not None, "the change is still there"
    is_better = best.mean < must_leave * fit.mean or best.is_at_floor
    if (
        found.kernel is None
        or not is_better
        or _colour(bench, best.model, found) > MOST_KERNEL_COLOUR
    ):
        return fit
    return best


def _corrected(bench: Bench, fit: Fit, stem: int) -> Change:
    """The change with its kernel nearer to least squares by one step."""
    change = fit.model.change_of(stem)
    assert change is not None, "only a moved stem has a kernel"
    sound = _in_the_mix(bench, fit.model, change)
    size = WINDOW + 4 * HALF
    left = np.zeros((*fit.residual.shape[:2], WINDOW + 2 * HALF))
    left[..., HALF:-HALF] = fit.residual
    spectrum = np.fft.rfft(sound, size)
    cross = np.fft.irfft((np.conj(spectrum) * np.fft.rfft(left, size)).sum(axis=(0, 1)), size)
    own = np.fft.irfft(np.square(np.abs(spectrum)).sum(axis=(0, 1)), size)
    taps = 2 * HALF + 1
    places = np.abs(np.arange(taps)[:, None] - np.arange(taps)[None, :])
    normal = own[places] + _RIDGE * own[0] * np.eye(taps)
    step = np.linalg.solve(normal, np.concatenate((cross[-HALF:], cross[: HALF + 1])))
    return replace(change, kernel=_kernel_of(change) + step)


def _in_the_mix(bench: Bench, model: Model, change: Change) -> Planar:
    """The moved stem without a kernel, ``HALF`` samples more on either side of every window."""
    stored = bench.excerpts.stems[change.stem]
    sound = model.gain * routed(change.matrix, moved(stored, change.lag, MARGIN - HALF))
    if change.span is not None:
        places = np.asarray(bench.excerpts.starts)[:, None] + np.arange(-HALF, WINDOW + HALF)
        sound *= ((places >= change.span[0]) & (places < change.span[1]))[:, None, :]
    return sound


def _kernel_of(change: Change) -> Planar:
    if change.kernel is not None:
        return change.kernel
    unit = np.zeros(2 * HALF + 1)
    unit[HALF] = 1.0
    return unit


def _colour(bench: Bench, model: Model, change: Change) -> float:
    """What the filter changes of the stem in the lower half of the band, relative to the stem."""
    size = WINDOW + 2 * HALF
    power = np.square(np.abs(np.fft.rfft(_in_the_mix(bench, model, change), size))).sum(axis=(0, 1))
    passed = slice(0, int(size * _PASSBAND))
    changed = np.square(np.abs(response(_kernel_of(change), size) - 1.0)) * power
    return float(np.sqrt(changed[passed].sum() / max(float(power[passed].sum()), 1e-300)))
