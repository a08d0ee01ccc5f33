"""Fit the numbers of a model to the excerpts: gains, lags and the times between which it holds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stemprep.null_test.excerpts import CELL, CELLS_A_WINDOW, MARGIN, MAX_LAG, WINDOW, Excerpts
from stemprep.null_test.limits import TIE, Floor, floor_of
from stemprep.null_test.model import Change, Model, is_whole, moved, moved_with_slope
from stemprep.null_test.parts import BestSpan, Planar, SumSet, routed

_STEPS = 8
_LAG_SETTLED = 1e-5
_MAX_LAG_STEP = 0.73  # no part of 1, so that steps never end on a whole lag by themselves
_SETTLED = 0.999
_A_FIT = 12.0
"""A fit with what is computed around it costs as much as a pass over so many times its samples."""
_CANCELLED = 1e-6
"""Of theory's power: 60 dB below it, where no two files of words can differ."""

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Fit:
    """A model with what it leaves in the excerpts.

    residual: (windows, channels, WINDOW), zeros where it cannot be judged, without the constants
    that floored words leave; energy: its sum of squares; count: samples that were judged, all
    channels.
    """

    model: Model
    residual: Planar
    energy: float
    count: int
    floor: Floor

    @property
    def is_at_floor(self) -> bool:
        """No more is left than the word lengths allow."""
        rms = float(np.sqrt(self.energy / max(self.count, 1)))
        return rms <= self.floor.rms_limit and float(np.abs(self.residual).max()) <= self.floor.peak

    @property
    def mean(self) -> float:
        """Mean square left; fits may differ in what they can judge.

        Never less than what float64 may leave of words that cancel exactly: two of those are equal.
        """
        return max(self.energy / max(self.count, 1), _CANCELLED * self.floor.power)

    @property
    def over_floor(self) -> float:
        """Energy left, as a multiple of theory."""
        return self.mean / self.floor.power

    def loud_cells(self) -> npt.NDArray[np.bool_]:
        """(windows, cells) whose residual stands out of the floor."""
        power = cell_sums(np.square(self.residual).sum(axis=1))
        limit = 4 * self.floor.power * CELL * self.residual.shape[1]
        return np.asarray(power > limit)


def cell_sums(values: Planar) -> Planar:
    """Sums of (windows, WINDOW) by cell."""
    return np.asarray(values.reshape(len(values), CELLS_A_WINDOW, CELL).sum(axis=2))


class Bench:
    """Excerpts with the set they come from: everything that fitting needs."""

    def __init__(self, parts: SumSet, excerpts: Excerpts) -> None:
        self.parts, self.excerpts = parts, excerpts
        self._plain: dict[int, Planar] = {}
        self._total: Planar | None = None

    def routed_plain(self, stem: int, model: Model) -> Planar:
        """A stem as it goes into the mix by default, without the common gain."""
        return routed(model.routes[stem], self.excerpts.inner(stem))

    def total(self, model: Model) -> Planar:
        """The sum of all stems as they are."""
        if self._total is None:
            total = np.zeros_like(self.excerpts.mix)
            for stem in range(len(self.parts.stems)):
                total += self.routed_plain(stem, model)
            self._total = total
        return self._total

    def fit(self, model: Model) -> Fit:
        """What the model leaves, as it is."""
        self.parts.spend(_A_FIT * self.excerpts.mix.size)
        residual = self.excerpts.mix - model.gain * self.total(model)
        for change in model.changes:
            residual += model.gain * self.routed_plain(change.stem, model)
            residual -= self.excerpts.rendered(model, change.stem)
        known = self.excerpts.known(model, self.parts.frames)
        residual *= known[:, None, :]
        count = int(np.count_nonzero(known)) * residual.shape[1]
        factors = {c.stem: float(np.abs(c.matrix).sum(axis=1).max()) for c in model.changes}
        floor = floor_of(self.parts, model.gain, factors)
        _take_off_offsets(residual, known, floor.offset)
        energy = float(np.einsum("kcw,kcw->", residual, residual))
        return Fit(model, residual, energy, count, floor)

    def tuned(
        self, fit: Fit, stems: tuple[int, ...], where: Mask, *, holds_lags: bool = False
    ) -> Fit:
        """Fit some stems' changes by least squares over some cells (Gauss-Newton).

        holds_lags: lags that are whole stay as they are.
        """
        loud = np.repeat(where, CELL, axis=1)
        best = fit
        for _ in range(_STEPS):
            columns = [
                column
                for column in _columns(best.model, self, stems)
                if not (
                    holds_lags and column.what == "lag" and _is_at_whole_lag(best.model, column)
                )
            ]
            if not columns:
                break
            weight = loud & self.excerpts.known(best.model, self.parts.frames)
            step = _solved(columns, best.residual, weight)
            model, largest_lag_step = _stepped(best.model, columns, step)
            trial = self.fit(model)
            left, before = _energy(trial, loud), _energy(best, loud)
            if left < before:
                best = trial
            settled = 1.0 if best.is_at_floor and largest_lag_step else _SETTLED
            if largest_lag_step < _LAG_SETTLED or left > settled * before:
                break
        return best

    def spanned(self, fit: Fit, stem: int) -> Fit:
        """Limit a change to the time in which it helps, where that leaves clearly less."""
        change = fit.model.change_of(stem)
        assert change is not None, "only a changed stem can be limited"
        whole = (
            fit if change.span is None else self.fit(_with(fit.model, replace(change, span=None)))
        )
        helped = self._help(whole, change)
        if helped.span[1] <= helped.span[0]:
            return fit
        limited = self.fit(_with(fit.model, replace(change, span=helped.span)))
        return whole if whole.mean <= TIE * limited.mean else limited

    def _help(self, fit: Fit, change: Change) -> BestSpan:
        gain = fit.model.gain
        delta = self.excerpts.rendered(fit.model, change.stem)
        delta -= gain * self.routed_plain(change.stem, fit.model)
        known = self.excerpts.known(fit.model, self.parts.frames)
        saved = ((2 * fit.residual + delta) * delta).sum(axis=1) * known
        best = BestSpan()
        for start, values in zip(self.excerpts.starts, saved, strict=True):
            best.add(start, values)
        return best


def _take_off_offsets(residual: Planar, known: Mask, most: float) -> None:
    """Take its mean off every cell and channel, in place, as far as floored words may leave one."""
    if not most:
        return
    cells = residual.reshape(*residual.shape[:2], CELLS_A_WINDOW, CELL)
    judged = known.reshape(len(known), 1, CELLS_A_WINDOW, CELL)
    counts = np.maximum(judged.sum(axis=-1), 1)
    offsets = np.clip(cells.sum(axis=-1) / counts, -most, most)
    cells -= offsets[..., None] * judged


def _with(model: Model, change: Change) -> Model:
    return model.with_change(change)


@dataclass(frozen=True, slots=True)
class _Column:
    """One number that can be fitted, and how the residual falls with it."""

    stem: int
    what: str
    row: int
    column: int
    slope: Planar


def _is_at_whole_lag(model: Model, column: _Column) -> bool:
    change = model.change_of(column.stem)
    return change is not None and is_whole(change.lag)


def _columns(model: Model, bench: Bench, stems: tuple[int, ...]) -> list[_Column]:
    columns: list[_Column] = []
    for change in model.changes:
        if change.stem in stems:
            columns += _change_columns(model, bench, change)
    if model.gain != 1.0 and columns:
        columns.append(_Column(-1, "gain", 0, 0, _model_total(model, bench) / model.gain))
    return columns


def _model_total(model: Model, bench: Bench) -> Planar:
    total = model.gain * bench.total(model)
    for change in model.changes:
        total -= model.gain * bench.routed_plain(change.stem, model)
        total += bench.excerpts.rendered(model, change.stem)
    return total


def _change_columns(model: Model, bench: Bench, change: Change) -> list[_Column]:
    stored = bench.excerpts.stems[change.stem]
    inside = _inside(change, bench.excerpts)
    if change.kernel is not None:
        value, slope = moved(stored, change.lag, MARGIN, change.kernel), None
    elif change.form == "echo":
        value, slope = moved(stored, change.lag, MARGIN), None
    elif change.is_moved:
        value, slope = moved_with_slope(stored, change.lag, MARGIN)
    else:
        value, slope = bench.excerpts.inner(change.stem), None
    value *= inside
    columns = _matrix_columns(model, change, value)
    if slope is not None:
        falling = model.gain * routed(change.matrix, slope * inside)
        columns.append(_Column(change.stem, "lag", 0, 0, falling))
    return columns


def _matrix_columns(model: Model, change: Change, value: Planar) -> list[_Column]:
    gain, stem, route = model.gain, change.stem, model.routes[change.stem]
    if change.form in ("level", "echo"):
        return [_Column(stem, "level", 0, 0, gain * routed(route, value))]
    if change.form not in ("balance", "matrix"):
        return []
    columns = []
    for row, column in np.ndindex(route.shape):
        if change.form == "balance" and route[row, column] == 0.0:
            continue
        slope = np.zeros((len(value), len(route), WINDOW))
        slope[:, row] = gain * value[:, column]
        columns.append(_Column(stem, "entry", row, column, slope))
    return columns


def _inside(change: Change, excerpts: Excerpts) -> Planar:
    inside = np.ones((len(excerpts.starts), 1, WINDOW))
    if change.span is not None:
        places = np.asarray(excerpts.starts)[:, None] + np.arange(WINDOW)[None, :]
        inside[:, 0] = (places >= change.span[0]) & (places < change.span[1])
    return inside


def _solved(columns: list[_Column], residual: Planar, weight: Mask) -> Planar:
    count = len(columns)
    normal, right = np.zeros((count, count)), np.zeros(count)
    heavy = weight[:, None, :]
    for first, column in enumerate(columns):
        weighted = column.slope * heavy
        right[first] = np.einsum("kcw,kcw->", weighted, residual)
        for second in range(first + 1):
            value = np.einsum("kcw,kcw->", weighted, columns[second].slope)
            normal[first, second] = normal[second, first] = value
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    solution, *_ = np.linalg.lstsq(normal / np.outer(scale, scale), right / scale, rcond=1e-10)
    return np.asarray(solution / scale)


def _stepped(model: Model, columns: list[_Column], step: Planar) -> tuple[Model, float]:
    largest = 0.0
    for column, value in zip(columns, step, strict=True):
        if column.what == "gain":
            model = replace(model, gain=model.gain + float(value))
            continue
        change = model.change_of(column.stem)
        assert change is not None, "columns are of changes"
        if column.what == "lag":
            move = float(np.clip(value, -_MAX_LAG_STEP, _MAX_LAG_STEP))
            largest = max(largest, abs(move))
            lag = float(np.clip(change.lag + move, -MAX_LAG, MAX_LAG))
            change = replace(change, lag=lag)
        else:
            matrix = change.matrix.copy()
            if column.what == "level":
                matrix += value * model.routes[column.stem]
            else:
                matrix[column.row, column.column] += value
            change = replace(change, matrix=matrix)
        model = _with(model, change)
    return model, largest


def _energy(fit: Fit, weight: Mask) -> float:
    return float(np.einsum("kcw,kcw,kw->", fit.residual, fit.residual, weight.astype(np.float64)))
