"""Files that hold another sound than the mix has at their place, told beside other faults.

What the mix has of such a part is not known, so nothing comes down to theory. But each file's share
of what is left is known by regression: a foreign file has none in the mix, though it sounds in the
sum, while the others stand there as they are. A mix of another song has none of them: no file is
foreign then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stemprep.model.null_test import NullCause
from stemprep.null_test.copies import holders_of
from stemprep.null_test.excerpts import CELL, MAX_LAG
from stemprep.null_test.fit import Bench, Fit
from stemprep.null_test.lags import LagErrors
from stemprep.null_test.limits import (
    ANOTHER_SOUND,
    ANOTHER_SOUND_TIME,
    FOREIGN_CERTAIN,
    MOST_FOREIGN,
    MOVED_MUST_LEAVE,
    PAUSING_SHARE,
    floor_of,
)
from stemprep.null_test.model import Change, Model, Span, plain_model
from stemprep.null_test.parts import Planar, SumSet
from stemprep.null_test.presence import Presence, presence
from stemprep.null_test.remainder import described
from stemprep.null_test.residual import Cells, blocks_of, model_pass

MAX_SPANS = 10
_TURNED = 0.3
"""Of one channel of a file: so much of it in the mix is a panning."""
_ACTIVE = 1e-4
"""Of a file's loudest cell: 40 dB below it a file counts as silent."""


@dataclass(frozen=True, slots=True)
class Shares:
    """How each stem stands in the mix: as it is, not at all, otherwise; by index.

    doubles: for each of the absent ones those that sound the same; one of them is absent.
    """

    fine: tuple[int, ...]
    absent: tuple[int, ...]
    odd: tuple[int, ...]
    doubles: tuple[tuple[int, ...], ...] = ()

    @property
    def are_of_another_mix(self) -> bool:
        """Not one stem is in the mix that could be."""
        return len(self.absent) > 1 and not self.fine and not self.odd

    @property
    def are_some_foreign(self) -> bool:
        """A few stems are not in the mix, and all others as they are."""
        few = min(MOST_FOREIGN, len(self.fine))
        return 0 < len(self.absent) <= few and not self.odd


def shares_of(bench: Bench, fit: Fit) -> Shares:
    """Sort the stems whose gain in the mix is known."""
    found: Presence = presence(bench, fit)
    clear = [
        stem for stem, first in enumerate(found.firsts) if found.is_clear(stem) and stem == first
    ]
    fine = tuple(stem for stem in clear if found.is_near(stem, 0.0))
    absent = tuple(stem for stem in clear if found.is_near(stem, -1.0))
    odd = tuple(stem for stem in clear if stem not in {*fine, *absent})
    doubles = tuple(
        tuple(other for other, first in enumerate(found.firsts) if first == stem != other)
        for stem in absent
    )
    return Shares(fine, absent, odd, doubles)


def foreign_causes(
    parts: SumSet, bench: Bench, shares: Shares, held: Cells, *, is_early: bool = False
) -> tuple[NullCause, ...]:
    """Files of another sound, and files that hold one of the others besides; () where none is seen.

    held: what the stems as they are leave of the whole. is_early: nothing else was tried, so that
    it has to be plain that no change of these files alone explains the set.
    """
    if not shares.are_some_foreign:
        return ()
    plain = plain_model(parts)
    model = plain
    for stem in shares.absent:
        model = model.with_change(Change(stem, "level", 0.0 * model.routes[stem]))
    start = bench.fit(plain)
    fit = _within(bench.fit(model), start)
    if is_early and not _is_of_another_sound(start, fit):
        return ()
    if any(_is_moved(bench, model, start, stem) for stem in shares.absent):
        return ()
    if any(_is_turned(bench, fit, stem) for stem in shares.absent):
        return ()
    copied = {stem: holders_of(bench, plain, stem, 1.0, 0) for stem in shares.absent}
    floor = floor_of(parts)
    cells = model_pass(parts, model).where(held.peak > floor.peak)
    if cells.is_within(floor):
        return ()
    own = described(bench, fit, cells, floor)
    causes = [
        _with_doubles(parts, _foreign(parts, stem, own, held, floor.peak), twins)
        if (told := copied[stem]) is None
        else replace(told, confidence=FOREIGN_CERTAIN)
        for stem, twins in zip(shares.absent, shares.doubles, strict=True)
    ]
    if is_early and any(cause.kind == "older" for cause in causes):
        return ()  # a section of it may have been moved or muted, which explains all
    if all(told is not None for told in copied.values()):
        causes.append(replace(own, kind="missing-stem", confidence=0.5))
    return tuple(causes)


def _with_doubles(parts: SumSet, cause: NullCause, twins: Sequence[int]) -> NullCause:
    """The cause with every file of the same sound as an equal alternative."""
    share = cause.confidence / (1 + len(twins))
    others = tuple(replace(cause, file=parts.stems[twin].name, confidence=share) for twin in twins)
    return replace(cause, confidence=share, alternatives=others)


def _within(fit: Fit, start: Fit) -> Fit:
    """The fit where something was left before: elsewhere the files are as in the mix."""
    residual = fit.residual * np.repeat(start.loud_cells(), CELL, axis=1)[:, None, :]
    return replace(fit, residual=residual, energy=float(np.square(residual).sum()))


def _is_of_another_sound(start: Fit, fit: Fit) -> bool:
    """Much is left without the absent files, nearly all the time, and mostly of the mix."""
    if fit.energy < ANOTHER_SOUND * start.energy:
        return False
    loud, before = fit.loud_cells(), start.loud_cells()
    return bool(np.count_nonzero(loud) > ANOTHER_SOUND_TIME * np.count_nonzero(before))


def _is_moved(bench: Bench, model: Model, start: Fit, stem: int) -> bool:
    """The same sound elsewhere in time leaves clearly less than its absence does."""
    present = bench.fit(model.without(stem))
    errors = LagErrors(bench, present, start.loud_cells())
    wanted, power = errors.correlations(stem)
    energy = errors.wanted_energy(stem)  # what is left with the file absent
    safe = np.maximum(power, power.max() * 1e-3 + 1e-300)
    left = np.minimum(energy - 2 * wanted + power, energy - np.square(wanted) / safe)
    left[MAX_LAG] = np.inf
    return bool(left.min() < MOVED_MUST_LEAVE * energy)


def _is_turned(bench: Bench, fit: Fit, stem: int) -> bool:
    """One of its channels stands in the mix somewhere: panned or exchanged."""
    sound = bench.excerpts.inner(stem)
    heard = np.diff(sound, axis=-1)  # the level of low notes would stand for kinship
    left = np.diff(fit.residual, axis=-1)
    own = np.einsum("kcw,kcw->c", heard, heard)
    along = np.einsum("krw,kcw->rc", left, heard)
    return bool((np.abs(along) > _TURNED * np.maximum(own, 1e-30)).any())


def _foreign(parts: SumSet, stem: int, own: NullCause, held: Cells, limit: float) -> NullCause:
    """A foreign file, or an older version where the mix has it in places."""
    part = parts.stems[stem]
    active = _active_cells(parts, stem, held.frames)
    same = active & (held.peak[: len(active)] <= limit)
    cause = replace(own, kind="foreign", file=part.name, confidence=FOREIGN_CERTAIN)
    if int(np.count_nonzero(same)) <= PAUSING_SHARE * max(int(np.count_nonzero(active)), 1):
        return _on_its_axis(cause, part.offset)
    differs = np.flatnonzero(held.peak[: len(active)] > limit)
    spans = _spans(same, active, held.frames, parts.frames)
    return _on_its_axis(
        replace(
            cause,
            kind="older",
            start_sample=int(differs[0]) * held.frames,
            end_sample=min((int(differs[-1]) + 1) * held.frames, parts.frames),
            same_spans=spans,
        ),
        part.offset,
    )


def _on_its_axis(cause: NullCause, offset: int) -> NullCause:
    """Samples of the file instead of the mix."""
    start, end = cause.start_sample, cause.end_sample
    assert start is not None, "what is left was described"
    assert end is not None, "what is left was described"
    return replace(
        cause,
        start_sample=max(start - offset, 0),
        end_sample=max(end - offset, 0),
        same_spans=tuple((low - offset, high - offset) for low, high in cause.same_spans),
    )


def _active_cells(parts: SumSet, stem: int, frames: int) -> np.ndarray:
    """Cells of the mix's axis in which a stem sounds."""
    power: list[Planar] = []
    with parts.open() as (_, *streams):
        for start, end in blocks_of(parts.frames):
            sound = streams[stem].take(start, end).astype(np.float64)
            edges = np.arange(0, end - start, frames)
            power.append(np.add.reduceat(np.square(sound).sum(axis=0), edges))
    cells = np.concatenate(power)
    return np.asarray(cells > _ACTIVE * float(cells.max(initial=0.0)))


def _spans(same: np.ndarray, active: np.ndarray, frames: int, total: int) -> tuple[Span, ...]:
    """Runs of cells in which the file is as in the mix; silence in between parts none of them."""
    runs: list[list[int]] = []
    for cell in np.flatnonzero(active):
        if not same[cell]:
            runs.append([])
        elif runs:
            runs[-1].append(int(cell))
        else:
            runs.append([int(cell)])
    spans = [(run[0] * frames, min((run[-1] + 1) * frames, total)) for run in runs if run]
    longest = sorted(spans, key=lambda span: span[0] - span[1])[:MAX_SPANS]
    return tuple(longest)
