"""All stems' levels at once: one least-squares fit of the mix, whoever is at fault."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.summing.model import Change, Model
from stemprep.summing.parts import Planar, unity
from stemprep.summing.refine import Bench, Fit
from stemprep.summing.theory import Floor

_BANDWIDTH = 20.0
"""Music's samples are not independent: errors of gains are that much larger in variance."""

_SLACK = 2e-5
_SOUNDING = 100.0
_NEAR_FLOOR = 4.0
_MOST_CHANGED = 0.5
_LOWEST = 0.01
_CANCELLED = 1e-11
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
    few = len(odd) <= max(1, _MOST_CHANGED * len(joint.stems))
    limit = _NEAR_FLOOR * floor.power + floor.offset**2 + _CANCELLED * joint.mix
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
