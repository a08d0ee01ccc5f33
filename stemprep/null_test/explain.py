"""The test: one pass for a set that nulls, a search for the culprit where it does not.

Explanations are tried in order, the cheap and sure ones first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from stemprep.model.null_test import NullCause, NullVerdict
from stemprep.null_test.causes import Explanation, change_causes, read_causes
from stemprep.null_test.confirm import confirmed, with_exact_edges
from stemprep.null_test.copies import echoes, holder_of_change
from stemprep.null_test.dropouts import abrupt_cuts
from stemprep.null_test.excerpts import Excerpts, OutOfWorkError, metered, read_excerpts
from stemprep.null_test.explain_dropouts import explained_by_cuts, explained_by_one_cut
from stemprep.null_test.fit import Bench, Fit
from stemprep.null_test.foreign import Shares, foreign_causes, shares_of
from stemprep.null_test.limits import CERTAIN, MOVE_AFTER, NEAR_FLOOR, Floor, floor_of
from stemprep.null_test.model import Model, plain_model
from stemprep.null_test.parts import Part, Stream, SumSet, unity
from stemprep.null_test.propose import consensus_gain, joint_gains, joint_levels
from stemprep.null_test.remainder import bus_cause, leftover_cause, unexplained_cause
from stemprep.null_test.residual import Cells, Products, model_pass, plain_pass
from stemprep.null_test.search import Found, is_of_the_mix, search
from stemprep.null_test.simplify import are_broken_and_needed, with_kernels
from stemprep.units import db_from_ratio

_ROUNDS = 3
_MOST_ECHOES = 2


def explanation(parts: SumSet, cells: Cells, products: Products, floor: Floor) -> Explanation:
    """Find out why mix and sum differ; where nothing explains it, say of what kind it is."""
    plain = plain_model(parts)
    bench = Bench(parts, read_excerpts(parts, cells))
    limited = metered(parts, is_short=bench.excerpts.is_whole)
    joint = joint_gains(bench, floor.power)
    model = replace(plain, gain=consensus_gain(joint))
    start = bench.fit(model)
    held = cells if model.gain == 1.0 else model_pass(parts, model)
    cuts = abrupt_cuts(parts, held)
    jointly = joint_levels(bench, model, joint, floor)
    shares = shares_of(bench, bench.fit(plain))
    searching = Bench(limited, bench.excerpts)
    try:
        told = explained_by_one_cut(limited, model, held, cuts)
        if told is None and not shares.are_of_another_mix:
            told = (
                _foreign(parts, bench, shares, cells, is_early=True)
                or _copied(limited, searching, shares)
                or _searched(
                    limited,
                    searching,
                    start,
                    jointly,
                    lambda: _left_by_bus(bench, start, products),
                )
                or explained_by_cuts(limited, model, held, cuts)
            )
        told = told or _moved_mix(limited, bench.excerpts)
        if told is not None and told.left > 0:
            told = _or_the_mix(limited, bench.excerpts, told)
    except OutOfWorkError:
        told = _foreign(parts, bench, shares, cells)
        return told or Explanation((unexplained_cause(bench, start, held, floor),), 1.0)
    told = told or _foreign(parts, bench, shares, cells)
    if told is not None:
        return told
    left = leftover_cause(bench, bench.fit(plain), products, cells, floor)
    if shares.are_of_another_mix and left.kind != "bus-dynamics":
        left = replace(left, kind="not-explained", has_no_stem=True, alternatives=())
    return Explanation((left,), 1.0)


def _foreign(
    parts: SumSet, bench: Bench, shares: Shares, cells: Cells, *, is_early: bool = False
) -> Explanation | None:
    causes = foreign_causes(parts, bench, shares, cells, is_early=is_early)
    return Explanation(causes, 1.0) if causes else None


def _copied(parts: SumSet, bench: Bench, shares: Shares) -> Explanation | None:
    """A stem that another one holds besides its own sound, later or earlier; alone or not."""
    start = bench.fit(plain_model(parts))
    present = [stem for stem in range(len(parts.stems)) if stem not in shares.absent]
    for change in echoes(bench, start, present)[:_MOST_ECHOES]:
        model = start.model.with_change(change)
        fit = bench.tuned(bench.fit(model), (change.stem,), start.loud_cells())
        echo = fit.model.change_of(change.stem)
        assert echo is not None, "it was put in"
        if fit.mean > MOVE_AFTER * start.mean or holder_of_change(bench, fit.model, echo) is None:
            continue
        found = Found(fit, True) if fit.is_at_floor else search(bench, fit)
        if not found.is_explained:
            continue
        is_whole = bench.excerpts.is_whole
        whole = confirmed(parts, found.fit.model, spans_are_known=is_whole)
        if whole.cells.is_within(found.fit.floor):
            return _told(parts, bench, whole.model, found)
    return None


def _searched(
    parts: SumSet,
    bench: Bench,
    start: Fit,
    jointly: Fit | None,
    left_by_bus: Callable[[], float],
) -> Explanation | None:
    """Changes of single stems that explain the whole; more excerpts where some is still left.

    A broken lag may leave more elsewhere than in the excerpts, because another interpolator is
    seen only where the sound is sharp: where nothing explains that better, it is told all the same.
    """
    told: Explanation | None = None
    try:
        for _ in range(_ROUNDS):
            found = search(bench, start, jointly=jointly, left_by_bus=left_by_bus)
            if not found.is_explained or is_of_the_mix(bench, found.fit.model):
                break
            is_whole = bench.excerpts.is_whole
            whole = confirmed(parts, found.fit.model, spans_are_known=is_whole)
            if whole.cells.is_within(found.fit.floor) or (is_whole and found.is_subsample):
                return _told(parts, bench, whole.model, found)
            if is_whole:
                break
            loudest = Bench(parts, read_excerpts(parts, whole.cells))
            start, jointly = with_kernels(loudest, loudest.fit(whole.model)), None
            if are_broken_and_needed(loudest, start):
                as_far = replace(found, is_subsample=True)
                told = _told(parts, bench, start.model, as_far)
                if found.is_subsample or start.is_at_floor:
                    break
            bench = loudest
    except OutOfWorkError:
        if told is None:
            raise
    return told


def _left_by_bus(bench: Bench, fit: Fit, products: Products) -> float:
    """Mean square that is left of the excerpts when what the bus did is undone."""
    found = bus_cause(bench, fit, products)
    if found is None:
        return math.inf
    at_gain = bench.fit(replace(fit.model, gain=max(products.gain, 0.0)))
    return found.leaves * min(fit.mean, at_gain.mean)


def _told(parts: SumSet, bench: Bench, model: Model, found: Found) -> Explanation:
    exact = with_exact_edges(parts, model, found.fit.floor)
    causes = read_causes(bench, exact, found)
    return Explanation(causes, model.gain, _left(found))


def _left(found: Found) -> float:
    return found.fit.mean if found.is_subsample and not found.fit.is_at_floor else 0.0


def _or_the_mix(parts: SumSet, excerpts: Excerpts, told: Explanation) -> Explanation:
    """The mix as a whole, late by part of a sample, where that leaves less than one loud stem."""
    try:
        other = _moved_mix(parts, excerpts)
    except OutOfWorkError:
        return told
    return other if other is not None and other.left < told.left else told


def _moved_mix(parts: SumSet, excerpts: Excerpts) -> Explanation | None:
    """The mix as a whole moved, inverted or with its sides exchanged against the sum."""
    summed = _sum_as_one(parts, excerpts)
    found = search(summed, summed.fit(plain_model(summed.parts)))
    if not found.is_explained or len(found.fit.model.changes) != 1:
        return None
    change = found.fit.model.changes[0]
    if change.span is not None or change.form not in ("as-is", "level", "swap"):
        return None
    changed = replace(
        plain_model(parts),
        changes=tuple(
            replace(change, stem=stem, matrix=change.matrix @ unity(parts.channels, part.channels))
            for stem, part in enumerate(parts.stems)
        ),
    )
    whole = model_pass(parts, changed)
    if not (whole.is_within(floor_of(parts)) or found.is_subsample):
        return None
    causes = change_causes(summed.parts, found.fit.model, change, CERTAIN)
    return Explanation(tuple(_of_mix(parts, cause) for cause in causes), 1.0, _left(found))


def _of_mix(parts: SumSet, cause: NullCause) -> NullCause:
    """What the sum would have to do, told of the mix."""
    lag = cause.lag_samples
    gain = cause.gain_db
    return replace(
        cause,
        file=parts.mix.name,
        lag_samples=None if lag is None else -lag,
        gain_db=None if gain is None else -gain,
    )


def _sum_as_one(parts: SumSet, excerpts: Excerpts) -> Bench:
    """The excerpts with all stems added up, as if they were one."""
    shape = (len(excerpts.starts), parts.channels, excerpts.stems[0].shape[-1])
    total = np.zeros(shape)
    for stem, part in zip(excerpts.stems, parts.stems, strict=True):
        total += unity(parts.channels, part.channels) @ stem
    step = math.sqrt(sum(part.step**2 for part in parts.stems))
    one = Part(
        name=parts.mix.name,
        channels=parts.channels,
        frames=parts.frames,
        step=step,
        rms=math.sqrt(sum(part.rms**2 for part in parts.stems if not part.step)),
        is_exact_in_float32=False,
    )

    @contextmanager
    def closed() -> Iterator[list[Stream]]:
        yield []

    whole = replace(parts, stems=(one,), open=closed)
    return Bench(whole, replace(excerpts, stems=(total,)))


COLUMNS = 200
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
    return _with_residual(parts, replace(outcome, causes=found.causes), found.gain)


def _with_residual(parts: SumSet, outcome: Outcome, gain: float) -> Outcome:
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
    power = NEAR_FLOOR * floor.power + floor.offset**2
    allowed = power * float(cells.counts.sum()) + _ROUNDING * mix
    return products.gain > 0 and products.power_after_gain <= allowed


def _over_time(cells: Cells) -> tuple[float, ...]:
    edges = np.unique(np.linspace(0, len(cells.peak), COLUMNS + 1).astype(int)[:-1])
    return tuple(db_from_ratio(float(peak)) for peak in np.maximum.reduceat(cells.peak, edges))
