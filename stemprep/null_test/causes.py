"""A model's changes as causes that people understand, with what the sum cannot tell apart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stemprep.model.null_test import NullCause
from stemprep.null_test.copies import with_holders
from stemprep.null_test.fit import Bench
from stemprep.null_test.limits import (
    CERTAIN,
    DOUBLED_SHARE,
    NO_LEVEL,
    SAME_LEVEL,
    SUBSAMPLE_CERTAIN,
    UNHEARD,
)
from stemprep.null_test.model import Change, Cut, Model
from stemprep.null_test.parts import Planar, SumSet
from stemprep.null_test.search import Found
from stemprep.units import db_from_ratio


@dataclass(frozen=True, slots=True)
class Explanation:
    """The causes, and the common gain under which they hold.

    left: mean square that a broken lag leaves over theory; 0 where nothing is.
    """

    causes: tuple[NullCause, ...]
    gain: float
    left: float = 0.0


def told_of(parts: SumSet, model: Model, found: Found) -> tuple[NullCause, ...]:
    """The causes, each with the equal alternatives to it."""
    confidence = SUBSAMPLE_CERTAIN if found.is_subsample else CERTAIN
    by_stem: dict[int, list[NullCause]] = {}
    for stem, other in (*found.alternatives, *_other_half(model)):
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


def _other_half(model: Model) -> Iterator[tuple[int, Change]]:
    """Half of the stems louder, or the other half quieter: the common gain is not known."""
    factors = {
        change.stem: _factor(change, model.routes[change.stem])
        for change in model.changes
        if change.form == "level" and not change.is_moved and change.span is None
    }
    others = [stem for stem in range(len(model.routes)) if stem not in factors]
    if not len(factors) == len(model.changes) == len(others):
        return
    low, high = min(factors.values()), max(factors.values())
    if low <= 0 or high > SAME_LEVEL * low:
        return
    for stem, factor in factors.items():
        for other in others:
            yield stem, Change(other, "level", model.routes[other] / factor)


def causes_of(parts: SumSet, model: Model, confidence: float) -> tuple[NullCause, ...]:
    """The causes that a model stands for, in the order of the stems."""
    told: list[tuple[int, NullCause]] = []
    for change in model.changes:
        told += [(change.stem, cause) for cause in change_causes(parts, model, change, confidence)]
    told += [(cut.stem, _cut_cause(parts, cut, confidence)) for cut in model.cuts]
    return tuple(cause for _, cause in sorted(told, key=lambda each: each[0]))


def change_causes(
    parts: SumSet, model: Model, change: Change, confidence: float
) -> Iterator[NullCause]:
    """One cause, or two where a file was moved and stands at another level besides."""
    part = parts.stems[change.stem]
    start = end = None
    if change.span is not None:
        start, end = (max(edge - part.offset, 0) for edge in change.span)
    plain = NullCause(
        kind="moved", file=part.name, confidence=confidence, start_sample=start, end_sample=end
    )
    if change.form == "echo":  # of which no stem is known that holds it
        yield replace(plain, kind="not-explained")
        return
    if change.is_moved:
        yield replace(plain, lag_samples=change.lag)
    if change.form == "level":
        factor = _factor(change, model.routes[change.stem])
        if not (change.is_moved and abs(factor - 1) < NO_LEVEL):
            yield from _level(plain, factor)
    elif change.form == "swap":
        yield replace(plain, kind="pan", is_swapped=True)
    elif change.form in ("balance", "matrix"):
        yield _pan(plain, change.matrix, model.routes[change.stem])


def _factor(change: Change, route: Planar) -> float:
    return float(np.sum(change.matrix * route) / np.sum(route * route))


def _level(plain: NullCause, factor: float) -> Iterator[NullCause]:
    if abs(factor) < UNHEARD:
        yield replace(plain, kind="not-in-mix")
        return
    if factor < 0:
        yield replace(plain, kind="inverted")
    if factor > 0 or factor != -1.0:
        yield replace(plain, kind="level", gain_db=-db_from_ratio(abs(factor)))


def _pan(plain: NullCause, matrix: Planar, route: Planar) -> NullCause:
    """By which gain each side stands in the mix; None for a side that is inverted or absent."""
    gains = [float(row.sum()) for row in matrix * (route != 0)]
    told = tuple(db_from_ratio(gain) if gain > UNHEARD else None for gain in gains)
    return replace(plain, kind="pan", channel_gains_db=told)


def _cut_cause(parts: SumSet, cut: Cut, confidence: float) -> NullCause:
    part = parts.stems[cut.stem]
    start, end = (edge - part.offset for edge in cut.span)
    return NullCause(
        kind="cut-short",
        file=part.name,
        start_sample=start,
        end_sample=end,
        confidence=confidence,
    )


def read_causes(bench: Bench, model: Model, found: Found) -> tuple[NullCause, ...]:
    """What a model that explains the set means, with all that the sum cannot tell apart from it."""
    causes = or_missing(bench, model, told_of(bench.parts, model, found))
    return with_holders(bench, model, causes)


def or_missing(bench: Bench, model: Model, causes: Sequence[NullCause]) -> tuple[NullCause, ...]:
    """The causes; those of level in a stem that has a double with a missing stem beside them."""
    doubled = {bench.parts.stems[stem].name for stem in _doubled(bench, model)}
    return tuple(
        or_a_missing_one(cause) if cause.kind == "level" and cause.file in doubled else cause
        for cause in causes
    )


def or_a_missing_one(cause: NullCause) -> NullCause:
    """The cause with a missing stem as one more equal alternative."""
    share = cause.confidence * (1 + len(cause.alternatives)) / (2 + len(cause.alternatives))
    missing = NullCause(kind="missing-stem")
    others = (*cause.alternatives, missing)
    told = tuple(replace(other, confidence=share) for other in others)
    return replace(cause, confidence=share, alternatives=told)


def _doubled(bench: Bench, model: Model) -> Iterator[int]:
    """Stems at another level throughout that sound like another one, which is as it should be."""
    changed = {change.stem for change in model.changes}
    for change in model.changes:
        if change.form != "level" or change.span is not None or change.is_moved:
            continue
        sound = bench.routed_plain(change.stem, model)
        own = float(np.einsum("kcw,kcw->", sound, sound))
        for stem in set(range(len(bench.parts.stems))) - changed:
            other = bench.routed_plain(stem, model)
            power = own * float(np.einsum("kcw,kcw->", other, other))
            along = float(np.einsum("kcw,kcw->", sound, other))
            if power > 0 and along**2 > DOUBLED_SHARE * power:
                yield change.stem
                break
