"""The test itself: one pass for a set that nulls, a search for the culprit where it does not."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from stemprep.model.null_test import NullCause, NullVerdict
from stemprep.summing.explaining import explanation
from stemprep.summing.model import plain_model
from stemprep.summing.parts import SumSet
from stemprep.summing.residual import Cells, Products, model_pass, plain_pass
from stemprep.summing.theory import Floor, floor_of
from stemprep.units import db_from_ratio

COLUMNS = 200
_GAIN_SLACK = 4.0
_ROUNDING = 1e-14  # relative; what float64 leaves of an energy that cancels


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was found for one set; ratios of full scale, and the causes where it does not null.

    sum_peak: highest absolute sample of the stems' sum, no gain applied, while the mix lasts.
    """

    verdict: NullVerdict
    gain: float
    sum_peak: float
    peak: float
    rms: float
    floor: Floor
    over_time_dbfs: tuple[float, ...]
    causes: tuple[NullCause, ...] = ()


def null_test(parts: SumSet) -> Outcome:
    """Sum the stems, compare with the mix, and say why where they do not add up."""
    plain = plain_pass(parts)
    cells, products = plain.cells, plain.products
    outcome = _outcome(cells, floor_of(parts), 1.0, plain.sum_peak)
    if outcome.verdict != "not":
        return outcome
    gain = products.gain
    floor = floor_of(parts, gain)
    if _nulls_with_gain(products, cells, floor):
        at_gain = model_pass(parts, replace(plain_model(parts), gain=gain))
        scaled = _outcome(at_gain, floor, gain, plain.sum_peak)
        if scaled.verdict != "not":
            return scaled
    found = explanation(parts, cells, products, outcome.floor)
    return _told(parts, replace(outcome, causes=found.causes), found.gain)


def _told(parts: SumSet, outcome: Outcome, gain: float) -> Outcome:
    """The outcome with the residual that the common gain leaves."""
    if gain == 1.0:
        return outcome
    cells = model_pass(parts, replace(plain_model(parts), gain=gain))
    scaled = _outcome(cells, floor_of(parts, gain), gain, outcome.sum_peak)
    return replace(scaled, verdict="not", causes=outcome.causes)


def plain_residual(parts: SumSet) -> float:
    """RMS of mix minus sum, nothing fitted: which of two placements is the likelier."""
    return plain_pass(parts).cells.rms


def _outcome(cells: Cells, floor: Floor, gain: float, sum_peak: float) -> Outcome:
    return Outcome(
        verdict=_verdict(cells, floor),
        gain=gain,
        sum_peak=sum_peak,
        peak=cells.highest,
        rms=cells.rms,
        floor=floor,
        over_time_dbfs=_over_time(cells),
    )


def _verdict(cells: Cells, floor: Floor) -> NullVerdict:
    if cells.highest == 0.0:
        return "exact"
    return "word-length" if cells.is_within(floor) else "not"


def _nulls_with_gain(products: Products, cells: Cells, floor: Floor) -> bool:
    """A constant gain leaves about what theory allows; the exact answer needs another pass."""
    mix = math.fsum(products.mix_mix)
    power = _GAIN_SLACK * floor.power + floor.offset**2
    allowed = power * float(cells.counts.sum()) + _ROUNDING * mix
    return products.gain > 0 and products.power_after_gain <= allowed


def _over_time(cells: Cells) -> tuple[float, ...]:
    edges = np.unique(np.linspace(0, len(cells.peak), COLUMNS + 1).astype(int)[:-1])
    return tuple(db_from_ratio(float(peak)) for peak in np.maximum.reduceat(cells.peak, edges))
