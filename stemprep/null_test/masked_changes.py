"""Stems at another level, muted or moved for a while in which another stem lacks sound.

What the first one lost is not known, but music foretells itself: of what its own past does not
foretell, the second one's part stands out, on the sample on which it begins and ends.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from stemprep.null_test.excerpts import MAX_LAG
from stemprep.null_test.lags import lowest
from stemprep.null_test.limits import (
    EDGE_ALIKE,
    EDGE_STANDS_OUT,
    ELSEWHERE_SHARE,
    PART_STANDS_OUT,
    floor_of,
)
from stemprep.null_test.model import Change, Model, Span, covered
from stemprep.null_test.parts import Planar, SumSet
from stemprep.null_test.prediction import (
    ORDER,
    PIECE,
    heard_of,
    pieces,
    prediction,
    read_around,
    share_of,
    surprises,
    weight_of,
)

_CELL = 256
_MOST_CELLS = 512


_NOTHING, _A_GOOD_PART, _PLAYED = 10.0, 0.5, 0.1
"""Power over theory that counts as nothing; the share of a section that may hold nothing else; and
the factor from which on that means that two files hold the same sound."""

_BESIDE = 4096
_CLOSELY = 2 * ORDER
_LONGEST = 65_536
_LONGEST_CUT = 1 << 22
_LIKELY = 8
_ROUNDS = 3
_SETTLED = 1e-6
_SURE, _NEARLY = 4.0, 2e-3
"""A factor this many standard errors, or this near, from 0 or -1 is taken for it."""


@dataclass(frozen=True, slots=True)
class _Part:
    """``factor`` times a stem, over a span of the mix, that is left of it besides the lost sound.

    The stem as it goes into the mix, the common gain included.

    error: standard error of the factor.
    """

    stem: int
    factor: float
    span: Span
    error: float


def hidden_sections(parts: SumSet, model: Model) -> Iterator[Change]:
    """The stem whose level is seen to differ for a while inside the model's first cut, if any.

    The model may hold no changes. Two passes over the cut and a few over its edges; of very long
    cuts nothing is told.
    """
    known = {cut.stem for cut in model.cuts}
    low, high = model.cuts[0].span
    if high - low > _LONGEST_CUT:
        return
    found = _likeliest(parts, model, (low, high), known)
    if found is None:
        return
    for _ in range(_ROUNDS):
        before = found
        found = _refined(parts, model, (low, high), found)
        if found is None:
            return
        if found.span == before.span and abs(found.factor - before.factor) < _SETTLED:
            break
    is_sharp = all(_is_edge(parts, model, (low, high), found, edge) for edge in found.span)
    if is_sharp and _is_at_once(parts, model, found) and not _is_all(parts, model, found):
        yield _change(parts, model, found)


def _likeliest(parts: SumSet, model: Model, within: Span, known: set[int]) -> _Part | None:
    """The stem and the stretch of cells in which most is explained."""
    stems = [stem for stem in range(len(parts.stems)) if stem not in known]
    cells = max(-(-(within[1] - within[0]) // _MOST_CELLS), _CELL)
    count = -(-(within[1] - within[0]) // cells)
    along, own = np.zeros((len(stems), count)), np.zeros((len(stems), count))
    for start, residual, sounds in pieces(parts, model, within, stems):
        rules = [prediction(row) for row in residual]
        for row, rule in enumerate(rules):
            seen = surprises(residual[row], rule)
            weight = weight_of(parts, seen)
            places = (start + ORDER + np.arange(len(seen)) - within[0]) // cells
            for index, sound in enumerate(sounds):
                heard = heard_of(parts, stems[index], sound[row], rule)
                along[index] += weight * np.bincount(places, seen * heard, count)
                own[index] += weight * np.bincount(places, heard * heard, count)
    best: _Part | None = None
    most = PART_STANDS_OUT**2
    for index, stem in enumerate(stems):
        explained, factor, (first, last), error = _stretch(along[index], own[index])
        if explained > most:
            span = (within[0] + first * cells, min(within[0] + last * cells, within[1]))
            best, most = _Part(stem, factor, span, error), explained
    return best


def _stretch(along: Planar, own: Planar) -> tuple[float, float, Span, float]:
    """What one factor explains over the best stretch of cells, that factor, and its error."""
    b = np.concatenate(([0.0], np.cumsum(along)))
    e = np.concatenate(([0.0], np.cumsum(own)))
    sums, powers = b[None, :] - b[:, None], e[None, :] - e[:, None]
    is_later = np.triu(powers, 1) > 1e-12 * max(float(e[-1]), 1e-300)
    explained = np.where(is_later, np.square(sums) / np.where(is_later, powers, 1.0), 0.0)
    first, last = (int(place) for place in np.unravel_index(explained.argmax(), explained.shape))
    power = max(float(powers[first, last]), 1e-300)
    factor = float(sums[first, last]) / power
    return float(explained[first, last]), factor, (first, last), power**-0.5


def _refined(parts: SumSet, model: Model, within: Span, part: _Part) -> _Part | None:
    """The edges to the sample, and the factor from all between them."""
    edges = []
    for edge in part.span:
        is_end = edge == part.span[1]
        edges.append(_edge(parts, model, within, part, edge, is_end=is_end))
    span = edges[0], edges[1]
    if span[1] - span[0] < PIECE // 2:
        return None
    shares = [
        share_of(parts, part.stem, residual, sound, part.factor, rounds=_ROUNDS)
        for _, residual, (sound,) in pieces(parts, model, span, [part.stem])
    ]
    weights = np.array([error**-2 for _, error in shares])
    own = float(weights.sum())
    if own <= 0:
        return None
    factor = float(weights @ [share for share, _ in shares]) / own
    return replace(part, factor=factor, span=span, error=own**-0.5)


def _edge(
    parts: SumSet, model: Model, within: Span, part: _Part, edge: int, *, is_end: bool
) -> int:
    """The sample near ``edge`` from which on, or up to which, the part explains most."""
    around = max(edge - _BESIDE, within[0]), min(edge + _BESIDE, within[1])
    residual, sound = read_around(parts, model, part.stem, around)
    places = np.arange(*around)
    inside = places < edge if is_end else places >= edge
    saved = np.zeros(len(places))
    for own_row, heard_row in zip(residual, sound, strict=True):
        rule = prediction(own_row - part.factor * heard_row * inside)
        seen = surprises(own_row, rule)
        heard = part.factor * heard_of(parts, part.stem, heard_row, rule)
        weight = weight_of(parts, seen - heard * inside[ORDER:])
        saved[ORDER:] += weight * (2 * seen - heard) * heard
    sums = np.concatenate(([0.0], np.cumsum(saved)))
    best = int(np.argmax(sums)) if is_end else int(np.argmin(sums))
    return around[0] + _to_the_sample(residual, part.factor * sound, best, is_end=is_end)


def _to_the_sample(residual: Planar, sound: Planar, near: int, *, is_end: bool) -> int:
    """The edge at which least is left: a prediction smears one over its length."""
    low = max(near - _CLOSELY - ORDER, 0)
    here = slice(low, min(near + _CLOSELY + 2 * ORDER, residual.shape[1]))
    candidates = np.arange(max(near - _CLOSELY, 0), min(near + _CLOSELY, residual.shape[1]) + 1)
    left = np.zeros(len(candidates))
    for own, heard in zip(residual, sound, strict=True):
        inside = np.arange(len(own)) < near if is_end else np.arange(len(own)) >= near
        rule = prediction(own - heard * inside)
        for index, edge in enumerate(candidates):
            inside = np.arange(len(own)) < edge if is_end else np.arange(len(own)) >= edge
            left[index] += float(np.square(surprises((own - heard * inside)[here], rule)).sum())
    return int(candidates[np.argmin(left)])


def _is_edge(parts: SumSet, model: Model, within: Span, part: _Part, edge: int) -> bool:
    """Tell whether the part is there on one side of an edge and clearly not on the other."""
    is_end = edge == part.span[1]
    inner = (edge - _BESIDE, edge) if is_end else (edge, edge + _BESIDE)
    outer = (edge, edge + _BESIDE) if is_end else (edge - _BESIDE, edge)
    shares = []
    for side, expected in ((inner, 1.0), (outer, 0.0)):
        low, high = max(side[0], within[0]), min(side[1], within[1])
        if high - low < _BESIDE // 4:
            return False
        residual, sound = read_around(parts, model, part.stem, (low, high))
        share, error = share_of(parts, part.stem, residual, sound, expected * part.factor)
        share, error = share / part.factor, abs(error / part.factor)
        if error * EDGE_STANDS_OUT > 1:
            return False
        shares.append(abs(share - expected))
    return max(shares) < EDGE_ALIKE


def _is_at_once(parts: SumSet, model: Model, part: _Part) -> bool:
    """Tell whether no more of the stem is left a little earlier or later.

    Two players' tones of one pitch are alike for a while too, but not in phase.
    """
    along, own = np.zeros(2 * _CLOSELY + 1), 0.0
    for _, residual, (sound,) in pieces(parts, model, part.span, [part.stem]):
        for row, heard_row in zip(residual, sound, strict=True):
            left = row - part.factor * heard_row
            rule = prediction(left)
            seen = surprises(left, rule)
            heard = part.factor * heard_of(parts, part.stem, heard_row, rule)
            weight = weight_of(parts, seen)
            inner = seen[_CLOSELY:-_CLOSELY]
            along += weight * np.correlate(heard, inner, mode="valid")
            own += weight * float(np.square(heard).sum())
    limit = max(EDGE_STANDS_OUT * own**-0.5, ELSEWHERE_SHARE) if own > 0 else 0.0
    return bool(np.abs(along).max() < limit * own)


def _is_all(parts: SumSet, model: Model, part: _Part) -> bool:
    """Tell whether nothing is left of a good part of the section but the stem itself.

    Then the lost sound was the same, as of one sample played by two, and nobody else is at fault.
    One far below its file is none that two have played.
    """
    if abs(part.factor) < _PLAYED:
        return False
    power = floor_of(parts, model.gain).power
    quiet = count = 0
    for _, residual, (sound,) in pieces(parts, model, part.span, [part.stem]):
        left = np.square(residual - part.factor * sound).mean(axis=0)
        cells = left[: len(left) // _CELL * _CELL].reshape(-1, _CELL).mean(axis=1)
        quiet += int(np.count_nonzero(cells < _NOTHING * power))
        count += len(cells)
    return quiet > _A_GOOD_PART * count


def _change(parts: SumSet, model: Model, part: _Part) -> Change:
    route = model.routes[part.stem]
    factor = 1 + part.factor
    for plain in (0.0, -1.0):
        if abs(factor - plain) < max(_SURE * part.error, _NEARLY):
            factor = plain
    if factor == 0.0:
        lag = _lag(parts, model, part)
        if lag:
            return Change(part.stem, "as-is", route, float(lag), part.span)
    return Change(part.stem, "level", factor * route, span=part.span)


def _lag(parts: SumSet, model: Model, part: _Part) -> int:
    """By how much the section was moved that is not where the stem has it; 0: it is not at all."""
    start, end = part.span[0] + _CELL, part.span[1] - _CELL
    end = min(end, start + _LONGEST)
    residual, sound = read_around(parts, model, part.stem, (start, end))
    _, wide = read_around(parts, model, part.stem, (start - MAX_LAG, end + MAX_LAG))
    size = 1 << (wide.shape[1] - 1).bit_length()
    along = np.zeros(2 * MAX_LAG + 1)
    for row, heard, around in zip(residual, sound, wide, strict=True):
        rule = prediction(row + heard)
        seen, heard_around = surprises(row + heard, rule), surprises(around, rule)
        weight = weight_of(parts, seen)
        cross = np.conj(np.fft.rfft(seen, size)) * np.fft.rfft(heard_around, size)
        along += weight * np.fft.irfft(cross, size)[: 2 * MAX_LAG + 1]
    likely = [place - MAX_LAG for place in lowest(-along, _LIKELY)]
    return next((lag for lag in likely if _is_moved(parts, model, part, lag)), 0)


def _is_moved(parts: SumSet, model: Model, part: _Part, lag: int) -> bool:
    """Tell whether the stem is there, ``lag`` samples on, where its section covers nothing."""
    first_lost, end_of_lost = covered(part.span, lag)
    start, end = part.span
    start, end = (end_of_lost, end) if first_lost == start else (start, first_lost)
    start, end = start + _CLOSELY, min(end - _CLOSELY, start + _LONGEST)
    if end - start < PIECE // 2:
        return False
    residual, sound = read_around(parts, model, part.stem, (start, end))
    _, moved = read_around(parts, model, part.stem, (start + lag, end + lag))
    share, error = share_of(parts, part.stem, residual + sound, moved, 1.0)
    return abs(share - 1) < EDGE_ALIKE and error * PART_STANDS_OUT < 1
