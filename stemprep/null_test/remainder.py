"""What kind of difference it is where no single stem explains it: nobody is blamed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from stemprep.model.null_test import NullCause
from stemprep.null_test.fit import Bench, Fit, cell_sums
from stemprep.null_test.limits import (
    DYNAMICS_DROP,
    DYNAMICS_RANGE_DB,
    EQUALISER_DROP,
    FAINT,
    MISSING_LIKE,
    PAUSING_SHARE,
    STEM_LIKE,
    Floor,
)
from stemprep.null_test.parts import Planar
from stemprep.null_test.residual import Cells, Products
from stemprep.units import db_from_ratio

_FRAME = 4096
_LOUD = 1e-4


def leftover_cause(
    bench: Bench, fit: Fit, products: Products, cells: Cells, floor: Floor
) -> NullCause:
    """Bus dynamics, an equaliser, a missing stem, or nothing that is known."""
    bus = bus_cause(bench, fit, products)
    if bus is not None:
        return replace(bus.cause, left_dbfs=_left_dbfs(bench, fit, products, bus.leaves))
    own = replace(described(bench, fit, cells, floor), sounding=_sounding(bench, fit))
    if not _is_like_a_stem(bench, fit):
        return replace(own, kind="not-explained", confidence=0.5)
    if _pauses_alone(cells, products, floor):
        return replace(own, kind="missing-stem", confidence=0.9)
    missing = replace(own, kind="missing-stem", confidence=0.5)
    unknown = replace(own, kind="not-explained", confidence=0.5)
    if fit.energy < FAINT * float(np.square(bench.excerpts.mix).sum()):
        return replace(unknown, alternatives=(missing,))
    return replace(missing, alternatives=(unknown,))


def unexplained_cause(bench: Bench, fit: Fit, cells: Cells, floor: Floor) -> NullCause:
    """What is left, described only: where the search did not end, no kind can be told."""
    own = described(bench, fit, cells, floor)
    return replace(own, confidence=0.5, sounding=_sounding(bench, fit))


def _left_dbfs(bench: Bench, fit: Fit, products: Products, leaves: float) -> float:
    """RMS of the loudest windows once the bus is undone: how far from a proof that is."""
    at_gain = bench.fit(replace(fit.model, gain=max(products.gain, 0.0)))
    return db_from_ratio(math.sqrt(max(leaves * min(fit.mean, at_gain.mean), 1e-30)))


def _sounding(bench: Bench, fit: Fit) -> tuple[str, ...]:
    """The files that sound where something is left; () where all do, or none."""
    loud = fit.loud_cells()
    if not loud.any():
        return ()
    names = []
    for stem, part in enumerate(bench.parts.stems):
        power = cell_sums(np.square(bench.excerpts.inner(stem)).sum(axis=1))
        highest = float(power.max(initial=0.0))
        if highest > 0 and float(np.mean(power[loud] > _LOUD * highest)) > 0.5:
            names.append(part.name)
    return tuple(names) if len(names) < len(bench.parts.stems) else ()


@dataclass(frozen=True, slots=True)
class Bus:
    """What the mix bus did, and how much of the residual's energy is left when that is undone."""

    cause: NullCause
    leaves: float


def bus_cause(bench: Bench, fit: Fit, products: Products) -> Bus | None:
    """What the mix bus did to all stems alike; None where it did nothing of the kind."""
    dynamics = _dynamics(products)
    if dynamics is not None:
        return dynamics
    leaves = _after_equaliser(bench, fit)
    if leaves * EQUALISER_DROP < 1:
        return Bus(NullCause(kind="bus-dynamics", process="equaliser", confidence=0.8), leaves)
    return None


def _dynamics(products: Products) -> Bus | None:
    """A common gain for every few milliseconds that takes away 8 dB and ranges over 0.1 dB."""
    sounding = products.sum_sum > _LOUD * float(products.sum_sum.max(initial=0.0))
    if not sounding.any():
        return None
    gains = products.sum_mix[sounding] / products.sum_sum[sounding]
    left = float(np.sum(products.mix_mix[sounding] - gains * products.sum_mix[sounding]))
    constant = products.gain
    before = float(
        np.sum(
            products.mix_mix[sounding]
            - 2 * constant * products.sum_mix[sounding]
            + constant**2 * products.sum_sum[sounding]
        )
    )
    low, high = np.quantile(np.maximum(gains, 1e-6), (0.02, 0.98))
    span_db = db_from_ratio(float(high)), db_from_ratio(float(low))
    if before < DYNAMICS_DROP * left or span_db[0] - span_db[1] < DYNAMICS_RANGE_DB:
        return None
    cause = NullCause(
        kind="bus-dynamics",
        process="dynamics",
        gain_range_db=(span_db[1], span_db[0]),
        confidence=0.9,
    )
    return Bus(cause, max(left, 0.0) / before)


def _after_equaliser(bench: Bench, fit: Fit) -> float:
    """How much one filter between sum and mix, the same all the time, leaves of the energy."""
    total, mix = bench.total(fit.model), bench.excerpts.mix
    window = np.hanning(_FRAME)
    cross = np.zeros(_FRAME // 2 + 1, complex)
    power, own = np.zeros(_FRAME // 2 + 1), np.zeros(_FRAME // 2 + 1)
    constant = 0.0
    gain = float(np.sum(total * mix) / max(float(np.sum(total * total)), 1e-300))
    for left, right in zip(
        total.reshape(-1, total.shape[-1]), mix.reshape(-1, mix.shape[-1]), strict=True
    ):
        sums, mixes = (_frames(side) * window for side in (left, right))
        sums_f, mixes_f = np.fft.rfft(sums), np.fft.rfft(mixes)
        cross += (np.conj(sums_f) * mixes_f).sum(axis=0)
        power += np.square(np.abs(sums_f)).sum(axis=0)
        own += np.square(np.abs(mixes_f)).sum(axis=0)
        constant += float(np.square(np.abs(mixes_f - gain * sums_f)).sum())
    left_over = float(np.sum(own - np.square(np.abs(cross)) / np.maximum(power, 1e-300)))
    return max(left_over, 0.0) / constant if constant > 0 else 1.0


def _frames(samples: Planar) -> Planar:
    view = np.lib.stride_tricks.sliding_window_view(samples, _FRAME)
    return np.asarray(view[:: _FRAME // 2])


def described(bench: Bench, fit: Fit, cells: Cells, floor: Floor) -> NullCause:
    """Level while it sounds, when, and the centre of its spectrum."""
    loud = cells.peak > floor.peak
    level = math.sqrt(float(cells.power[loud].sum()) / max(float(cells.counts[loud].sum()), 1.0))
    places = np.flatnonzero(loud)
    total = int(cells.counts.sum()) // bench.parts.channels
    start = int(places[0]) * cells.frames if len(places) else 0
    end = min((int(places[-1]) + 1) * cells.frames, total) if len(places) else total
    return NullCause(
        kind="not-explained",
        level_dbfs=db_from_ratio(level) if level > 0 else None,
        centre_hz=_centre_hz(fit.residual, bench.parts.rate_hz),
        start_sample=start,
        end_sample=end,
    )


def _centre_hz(residual: Planar, rate_hz: int) -> float | None:
    """Power-weighted mean frequency."""
    window = np.hanning(_FRAME)
    power = np.zeros(_FRAME // 2 + 1)
    for side in residual.reshape(-1, residual.shape[-1]):
        power += np.square(np.abs(np.fft.rfft(_frames(side) * window))).sum(axis=0)
    total = float(power.sum())
    if total <= 0:
        return None
    frequencies = np.fft.rfftfreq(_FRAME, 1 / rate_hz)
    return float(np.sum(frequencies * power) / total)


def _is_like_a_stem(bench: Bench, fit: Fit) -> bool:
    """What is left belongs to the mix, and to no stem: a part of it that no stem has."""
    residual = fit.residual
    energy = fit.energy
    if energy <= 0:
        return False
    with_mix = float(np.einsum("kcw,kcw->", residual, bench.excerpts.mix)) / energy
    if not MISSING_LIKE[0] <= with_mix <= MISSING_LIKE[1]:
        return False
    for stem in range(len(bench.parts.stems)):
        sound = bench.routed_plain(stem, fit.model)
        own = float(np.einsum("kcw,kcw->", sound, sound))
        along = float(np.einsum("kcw,kcw->", sound, residual))
        if own > 0 and along**2 / own > STEM_LIKE * energy:
            return False
    return True


def _pauses_alone(cells: Cells, products: Products, floor: Floor) -> bool:
    """Somewhere the stems sound and nothing is left: a whole rendering would differ there too."""
    ratio = cells.frames // products.frames
    edges = np.arange(0, len(products.sum_sum), ratio)
    sums = np.add.reduceat(products.sum_sum, edges)[: len(cells.power)]
    sounding = sums > _LOUD * float(sums.max(initial=0.0))
    quiet = sounding & (cells.peak <= floor.peak)
    return int(np.count_nonzero(quiet)) >= PAUSING_SHARE * max(int(np.count_nonzero(sounding)), 1)
