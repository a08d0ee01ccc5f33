"""Why a set does not null: explanations are tried in order, the cheap and sure ones first."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from stemprep.model.null_test import NullCause
from stemprep.summing.confirming import confirmed
from stemprep.summing.cuts import abrupt_cuts, is_cut
from stemprep.summing.excerpts import Excerpts, read_excerpts
from stemprep.summing.joint import consensus_gain, joint_gains, joint_levels
from stemprep.summing.leftovers import bus_cause, leftover_cause
from stemprep.summing.model import Change, Cut, Model, plain_model
from stemprep.summing.parts import Part, Stream, SumSet, unity
from stemprep.summing.refine import Bench, Fit
from stemprep.summing.residual import Cells, Products, model_pass
from stemprep.summing.search import Found, search
from stemprep.summing.telling import causes_of, change_causes
from stemprep.summing.theory import Floor, floor_of

_ROUNDS = 3
_CERTAIN = 0.99
_SUBSAMPLE_CERTAIN = 0.9
_NO_POWER = 1e-300
_GAIN_MUST_LEAVE = 0.8


@dataclass(frozen=True, slots=True)
class Explanation:
    """The causes, and the common gain under which they hold."""

    causes: tuple[NullCause, ...]
    gain: float


def explanation(parts: SumSet, cells: Cells, products: Products, floor: Floor) -> Explanation:
    """Find out why mix and sum differ; where nothing explains it, say of what kind it is."""
    plain = plain_model(parts)
    bench = Bench(parts, read_excerpts(parts, cells))
    joint = joint_gains(bench, floor.power)
    model = replace(plain, gain=consensus_gain(joint))
    start = bench.fit(model)
    told = _searched(
        parts,
        bench,
        start,
        joint_levels(bench, model, joint, floor.power),
        lambda: bus_cause(bench, start, products) is not None,
    )
    if told is None:
        told = _with_cuts(parts, model, cells)
    if told is None:
        told = _moved_mix(parts, bench)
    if told is not None:
        return told
    gain = model.gain
    leaves = products.power_after_gain / max(float(cells.power.sum()), _NO_POWER)
    if gain == 1.0 and products.gain > 0 and leaves < _GAIN_MUST_LEAVE:
        gain = products.gain
    if gain != 1.0:
        start = bench.fit(replace(plain, gain=gain))
        cells, floor = model_pass(parts, replace(plain, gain=gain)), floor_of(parts, gain)
    return Explanation((leftover_cause(bench, start, products, cells, floor),), gain)


def _searched(
    parts: SumSet,
    bench: Bench,
    start: Fit,
    jointly: Fit | None,
    is_bus: Callable[[], bool],
) -> Explanation | None:
    """Changes of single stems that explain the whole; more excerpts where some is still left."""
    for _ in range(_ROUNDS):
        found = search(bench, start, jointly=jointly, is_bus=is_bus)
        if not found.is_explained:
            return None
        is_whole = bench.excerpts.is_whole
        whole = confirmed(parts, found.fit.model, spans_are_known=is_whole)
        if is_at_floor(whole.cells, found.fit.floor) or found.is_subsample:
            return Explanation(_told(parts, whole.model, found), whole.model.gain)
        if is_whole:
            return None
        bench = Bench(parts, read_excerpts(parts, whole.cells))
        start, jointly = bench.fit(whole.model), None
    return None


def is_at_floor(cells: Cells, floor: Floor) -> bool:
    """No more is left of the whole than the word lengths allow."""
    return cells.rms <= floor.rms_limit and cells.highest <= floor.peak


def _told(parts: SumSet, model: Model, found: Found) -> tuple[NullCause, ...]:
    """The causes, each with the equal alternatives to it."""
    confidence = _SUBSAMPLE_CERTAIN if found.is_subsample else _CERTAIN
    by_stem: dict[int, list[NullCause]] = {}
    for stem, other in (*found.alternatives, *_other_of_two(model)):
        by_stem.setdefault(stem, []).extend(change_causes(parts, model, other, confidence))
    told = []
    for cause in causes_of(parts, model, confidence):
        stem = next((i for i, part in enumerate(parts.stems) if part.name == cause.file), -1)
        others = by_stem.pop(stem, [])
        share = confidence / (1 + len(others))
        told.append(
            replace(
                cause,
                confidence=share,
                alternatives=tuple(replace(other, confidence=share) for other in others),
            )
        )
    return tuple(told)


def _other_of_two(model: Model) -> Iterator[tuple[int, Change]]:
    """Of two stems, one may be louder or the other quieter: the common gain is not known."""
    if len(model.routes) != 2 or len(model.changes) != 1:
        return
    change = model.changes[0]
    route = model.routes[change.stem]
    factor = float(np.sum(change.matrix * route) / np.sum(route * route))
    if change.form == "level" and not change.is_moved and change.span is None and factor > 0:
        other = 1 - change.stem
        yield change.stem, Change(other, "level", model.routes[other] / factor)


def _with_cuts(parts: SumSet, model: Model, cells: Cells) -> Explanation | None:
    """A stem that ends in mid-sound, alone or beside changes of others."""
    fitting: list[tuple[Cut, Model]] = []
    for cut in abrupt_cuts(parts):
        held = model.with_cut(cut)
        at_rest = model_pass(parts, held)
        floor = floor_of(parts, held.gain)
        if is_at_floor(at_rest, floor):
            if is_cut(parts, held, cut, floor):
                fitting.append((cut, held))
            continue
        bench = Bench(parts, read_excerpts(parts, at_rest))
        found = search(bench, bench.fit(held))
        if not found.is_explained:
            continue
        whole = confirmed(parts, found.fit.model, spans_are_known=bench.excerpts.is_whole)
        is_settled = is_at_floor(whole.cells, found.fit.floor)
        if is_settled and is_cut(parts, whole.model, cut, found.fit.floor):
            return Explanation(_told(parts, whole.model, found), whole.model.gain)
    return _cut_alone(parts, fitting)


def _cut_alone(parts: SumSet, fitting: list[tuple[Cut, Model]]) -> Explanation | None:
    if not fitting:
        return None
    share = _CERTAIN / len(fitting)
    told = [causes_of(parts, model, share)[0] for _, model in fitting]
    first = replace(told[0], alternatives=tuple(told[1:]))
    return Explanation((first,), fitting[0][1].gain)


def _moved_mix(parts: SumSet, bench: Bench) -> Explanation | None:
    """The mix as a whole moved, inverted or with its sides exchanged against the sum."""
    summed = _sum_as_one(parts, bench.excerpts)
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
    if not (is_at_floor(whole, floor_of(parts)) or found.is_subsample):
        return None
    causes = change_causes(summed.parts, found.fit.model, change, _CERTAIN)
    return Explanation(tuple(_of_mix(parts, cause) for cause in causes), 1.0)


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

    whole = SumSet(mix=parts.mix, stems=(one,), rate_hz=parts.rate_hz, open=closed)
    return Bench(whole, replace(excerpts, stems=(total,)))
