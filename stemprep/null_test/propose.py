"""What would explain most of a residual: one change of a stem, or all levels at once.

Quick guesses, to be refined.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.null_test.excerpts import CELL, MAX_LAG, WINDOW, Excerpts
from stemprep.null_test.fit import Bench, Fit, cell_sums
from stemprep.null_test.lags import LagErrors, lowest
from stemprep.null_test.limits import (
    FREE_LEVEL_MUST_BEAT,
    MATRIX_SNR,
    MOST_CHANGED,
    NEAR_FLOOR,
    SPAN_MUST_BEAT,
    Floor,
)
from stemprep.null_test.model import Change, Form, Model, Span, can_be_swapped, swapped
from stemprep.null_test.parts import Planar, routed, unity

_QUIET = 1e-16


@dataclass(frozen=True, slots=True)
class Proposal:
    """One change of one stem, and the residual energy that it may explain."""

    change: Change
    explained: float


class Proposer:
    """Guesses for one residual."""

    def __init__(self, bench: Bench, fit: Fit) -> None:
        self._bench, self._fit = bench, fit
        self._cells = fit.loud_cells()
        self._errors = LagErrors(bench, fit, self._cells)
        self.energy = self._errors.energy

    @property
    def is_quiet(self) -> bool:
        """Nothing stands out of the floor."""
        return not self._cells.any()

    def of_stem(self, stem: int) -> Iterator[Proposal]:
        """All guesses for one stem that is as it is so far."""
        inner = self._bench.excerpts.inner(stem)
        if not np.any(inner):
            return
        products = _StemProducts(inner, self._fit.residual, self._cells)
        yield from self._gains(stem, products)
        yield from self._lags(stem, inner)

    def _gains(self, stem: int, products: _StemProducts) -> Iterator[Proposal]:
        gain = self._fit.model.gain
        route = self._fit.model.routes[stem]
        yield from _levels(stem, products, route, gain, self._bench.excerpts)
        if route.shape[0] != 2:
            return
        yield _balance(stem, products, route, gain)
        if not can_be_swapped(route):
            return
        yield _swap(stem, products, route, gain)
        step = self._bench.parts.stems[stem].step or 2.0**-23
        if products.weaker_power > MATRIX_SNR * step**2:
            yield _matrix(stem, products, route, gain)

    def _lags(self, stem: int, inner: Planar) -> Iterator[Proposal]:
        gain = self._fit.model.gain
        route = self._fit.model.routes[stem]
        yield self._slope(stem, inner, route, gain)
        wanted, power = self._errors.correlations(stem)
        masked = self._errors.wanted_energy(stem)
        errors = masked - 2 * gain * wanted + gain**2 * power
        for place in lowest(errors):
            lag = place - MAX_LAG
            yield Proposal(
                Change(stem, "as-is", route, float(lag)), self.energy - float(errors[place])
            )
        safe = np.maximum(power, power.max() * 1e-3 + 1e-300)
        free = masked - wanted**2 / safe
        place = int(np.argmin(free))
        lag = place - MAX_LAG
        explained = self.energy - float(free[place])
        if lag and explained > FREE_LEVEL_MUST_BEAT * (self.energy - float(errors.min())):
            factor = float(wanted[place] / safe[place]) / gain
            yield Proposal(Change(stem, "level", factor * route, float(lag)), explained)

    def _slope(self, stem: int, inner: Planar, route: Planar, gain: float) -> Proposal:
        """A move by a part of a sample, from the slope of the sound."""
        slope = gain * routed(route, np.gradient(inner, axis=-1)) * self._errors.mask[:, None, :]
        energy = float(np.einsum("kcw,kcw->", slope, slope)) + 1e-300
        along = float(np.einsum("kcw,kcw->", slope, self._fit.residual))
        lag = float(np.clip(along / energy, -0.75, 0.75)) or 1e-3
        return Proposal(Change(stem, "as-is", route, lag), along**2 / energy)


class _StemProducts:
    """Sums of products of one stem's channels with the residual and themselves, cell by cell."""

    def __init__(self, inner: Planar, residual: Planar, loud: npt.NDArray[np.bool_]) -> None:
        rows, columns = residual.shape[1], inner.shape[1]
        self.with_residual = np.zeros((rows, columns, *loud.shape))
        self.with_itself = np.zeros((columns, columns, *loud.shape))
        for row, column in np.ndindex(rows, columns):
            self.with_residual[row, column] = cell_sums(residual[:, row] * inner[:, column])
        for first, second in np.ndindex(columns, columns):
            if second <= first:
                value = cell_sums(inner[:, first] * inner[:, second])
                self.with_itself[first, second] = self.with_itself[second, first] = value
        self.loud = loud

    def b(self) -> Planar:
        """With the residual, over the loud cells."""
        return np.asarray(self.with_residual[..., self.loud].sum(axis=-1))

    def g(self) -> Planar:
        """With itself, over the loud cells."""
        return np.asarray(self.with_itself[..., self.loud].sum(axis=-1))

    @property
    def weaker_power(self) -> float:
        """Mean power of the weaker direction of the channels, over the loud cells."""
        count = max(int(np.count_nonzero(self.loud)), 1) * CELL
        return float(np.linalg.eigvalsh(self.g())[0]) / count


def _levels(
    stem: int, products: _StemProducts, route: Planar, gain: float, excerpts: Excerpts
) -> Iterator[Proposal]:
    """Another level throughout, and in the stretch of cells where that explains most."""
    along = gain * np.einsum("rc,rc...->...", route, products.with_residual)
    own = gain**2 * np.einsum("rc,rd,cd...->...", route, route, products.with_itself)
    energy = float(own[products.loud].sum())
    if energy <= _QUIET:
        return
    whole = float(along[products.loud].sum())
    yield Proposal(Change(stem, "level", (1 + whole / energy) * route), whole**2 / energy)
    explained, factor, span = _best_stretch(along.ravel(), own.ravel(), excerpts)
    if explained > SPAN_MUST_BEAT * whole**2 / energy:
        yield Proposal(Change(stem, "level", (1 + factor) * route, span=span), explained)


def _best_stretch(along: Planar, own: Planar, excerpts: Excerpts) -> tuple[float, float, Span]:
    """Stretch of cells in which one factor explains most energy: (sum b)^2 / sum e."""
    b = np.concatenate(([0.0], np.cumsum(along)))
    e = np.concatenate(([0.0], np.cumsum(own)))
    difference_b = b[None, :] - b[:, None]
    difference_e = e[None, :] - e[:, None]
    floor = max(float(e[-1]) * 1e-9, _QUIET)
    later = np.triu(difference_e, 1) > floor
    explained = np.where(later, difference_b**2 / np.maximum(difference_e, floor), 0.0)
    first, last = np.unravel_index(int(np.argmax(explained)), explained.shape)
    factor = float(difference_b[first, last] / max(difference_e[first, last], floor))
    span = (_sample_of(int(first), excerpts), _sample_of(int(last) - 1, excerpts) + CELL)
    return float(explained[first, last]), factor, span


def _sample_of(cell: int, excerpts: Excerpts) -> int:
    window, inside = divmod(cell, WINDOW // CELL)
    return excerpts.starts[window] + inside * CELL


def _swap(stem: int, products: _StemProducts, route: Planar, gain: float) -> Proposal:
    delta = gain * (swapped(route) - route)
    return Proposal(Change(stem, "swap", swapped(route)), _explained_by(delta, products))


def _explained_by(delta: Planar, products: _StemProducts) -> float:
    """Energy that vanishes when ``delta`` times the stem is taken off the residual too."""
    along = float(np.sum(delta * products.b()))
    own = float(np.einsum("rc,rd,cd->", delta, delta, products.g()))
    return 2 * along - own


def _balance(stem: int, products: _StemProducts, route: Planar, gain: float) -> Proposal:
    """A gain a channel; a mono stem gets one for each side of the mix."""
    b, g = products.b(), products.g()
    matrix, explained = route.copy(), 0.0
    for row, column in np.ndindex(route.shape):
        if route[row, column] and g[column, column] > _QUIET:
            matrix[row, column] += b[row, column] / g[column, column] / gain
            explained += float(b[row, column] ** 2 / g[column, column])
    return Proposal(Change(stem, "balance", matrix), explained)


def _matrix(stem: int, products: _StemProducts, route: Planar, gain: float) -> Proposal:
    b, g = products.b(), products.g()
    delta = np.linalg.lstsq(g, b.T, rcond=1e-12)[0].T
    form: Form = "matrix"
    return Proposal(Change(stem, form, route + delta / gain), float(np.sum(delta * b)))


_BANDWIDTH = 20.0
"""Music's samples are not independent: errors of gains are that much larger in variance."""

_SLACK = 2e-5
_SOUNDING = 100.0
_LOWEST = 0.01
_JOINT_CANCELLED = 1e-11
"""What the products of float64 may be wrong by, relative to the mix; the fit itself decides."""


@dataclass(frozen=True, slots=True)
class JointGains:
    """Gains of the stems that sound, with standard errors.

    left, mix: mean squares of what they leave and of the mix.
    """

    stems: npt.NDArray[np.intp]
    gains: Planar
    errors: Planar
    left: float
    mix: float

    def agrees(self, gain: float) -> npt.NDArray[np.bool_]:
        """Tell which stems may have this gain."""
        return np.asarray(np.abs(self.gains - gain) <= 4 * self.errors + _SLACK)


def joint_gains(bench: Bench, floor_power: float) -> JointGains:
    """Fit one gain a stem to the excerpts by least squares."""
    gram, right, energy = _products(bench)
    samples = int(np.count_nonzero(bench.excerpts.valid)) * bench.parts.channels
    stems = np.flatnonzero(np.diag(gram) > _SOUNDING * floor_power * samples)
    if not len(stems):
        return JointGains(stems, np.zeros(0), np.zeros(0), energy / max(samples, 1), 0.0)
    inverse = np.linalg.pinv(gram[np.ix_(stems, stems)], rcond=1e-12)
    gains = inverse @ right[stems]
    left = max(energy - float(gains @ right[stems]), floor_power * samples) / samples
    errors = np.sqrt(np.maximum(np.diag(inverse) * left * _BANDWIDTH, 1e-18))
    return JointGains(stems, gains, errors, left, energy / samples)


def _products(bench: Bench) -> tuple[Planar, Planar, float]:
    """Products of the stems with each other and with the mix, and the mix's energy."""
    excerpts, parts = bench.excerpts, bench.parts
    count = len(parts.stems)
    gram, right, energy = np.zeros((count, count)), np.zeros(count), 0.0
    for window in range(len(excerpts.starts)):
        valid = excerpts.valid[window]
        rows = np.stack(
            [
                _flat(excerpts.inner_window(stem, window) * valid, parts.channels)
                for stem in range(count)
            ]
        )
        mix = excerpts.mix[window].ravel()
        gram += rows @ rows.T
        right += rows @ mix
        energy += float(mix @ mix)
    return gram, right, energy


def _flat(samples: Planar, channels: int) -> Planar:
    return np.asarray((unity(channels, len(samples)) @ samples).ravel())


def consensus_gain(joint: JointGains) -> float:
    """Find the common gain that most stems have; 1 where half as many may have that.

    Where much is left the gains are vague, and one near 1 has some supporter more by chance.
    Never negative, nor so low that the stems are not in the mix: those are faults, not gains.
    """
    count = len(joint.gains)
    if count == 0:
        return 1.0
    candidates = [1.0, *(float(gain) for gain in joint.gains if gain > _LOWEST)]
    support = {value: int(np.count_nonzero(joint.agrees(value))) for value in candidates}
    most = max(support.values())
    if 2 * support[1.0] >= most or most < max(2, (count + 1) // 2):
        return 1.0
    agreed = next(value for value, supporters in support.items() if supporters == most)
    near = joint.agrees(agreed)
    gain = float(np.average(joint.gains[near], weights=1 / joint.errors[near] ** 2))
    return gain if gain > _LOWEST else 1.0


def joint_levels(bench: Bench, model: Model, joint: JointGains, floor: Floor) -> Fit | None:
    """Changes of level alone, of however many stems, that bring the residual to the floor.

    None where they do not, or where half of the stems or more would have to change.
    """
    odd = joint.stems[~joint.agrees(model.gain)]
    few = len(odd) <= max(1, MOST_CHANGED * len(joint.stems))
    limit = NEAR_FLOOR * floor.power + floor.offset**2 + _JOINT_CANCELLED * joint.mix
    if joint.left > limit or not few or not len(odd):
        return None
    by_stem = dict(zip(joint.stems.tolist(), joint.gains.tolist(), strict=True))
    for stem in odd.tolist():
        factor = by_stem[stem] / model.gain
        model = model.with_change(Change(stem, "level", factor * model.routes[stem]))
    fit = bench.fit(model)
    everywhere = np.ones_like(fit.loud_cells())
    fit = bench.tuned(fit, tuple(change.stem for change in model.changes), everywhere)
    return fit if fit.is_at_floor else None
