"""Finding sound of an original at another place: a whole file, a stretch, or between samples."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.lineage.explaining import (
    LEFT_IN_A_CELL,
    SAME_GAIN_DB,
    UNITY_DB,
    Excerpt,
    Explanation,
    as_level,
    as_processed,
)
from stemprep.units import db_from_ratio

Planar = npt.NDArray[np.float64]

LEFT = 10 ** (-30 / 20)
"""Of the returned sound; a converter's filter there and back leaves it 38 dB down (measured)."""
BETTER = 10 ** (20 / 20)
"""Than without the move: low sound moves little by a part of a sample, whatever was done to it."""
# Under the sound: what is left below it needs no words.
RESTED_DB = -50.0
# Of a sample: nearer to a whole number is a move by one, which leaves every sample alike.
WHOLE_LAG = 0.02
# Samples either side that a turn of the spectrum smears over the edges; cut off after it.
_MARGIN = 256
# The lag is read from phases and taken out; what is left is read again.
_ROUNDS = 3


def as_between_samples(excerpt: Excerpt, near: int, window: tuple[int, int]) -> Explanation | None:
    """Read a stretch as the original moved by some samples and a part of one.

    near: whole samples by which it seems to lie later, to within one; window: start and end of the
    sound in it by which the rest is measured.
    """
    lag = float(near)
    start, end = window
    for _ in range(_ROUNDS):
        there = _moved(excerpt, lag, window)
        if there is None:
            return None
        lag += _later(there, excerpt.returned[:, start:end])
        if abs(lag - near) > 1.0:
            return None
    there = _moved(excerpt, lag, (0, excerpt.frames))
    if there is None or abs(lag - round(lag)) < WHOLE_LAG:
        return None
    gain, left = _fit(there, excerpt.returned)
    unmoved = _fit(excerpt.original, excerpt.returned)[1]
    whole = float(np.linalg.norm(excerpt.returned))
    if gain <= 0.0 or left > LEFT * whole or left * BETTER > unmoved:
        return None
    exact_db = db_from_ratio(gain)
    gain_db = 0.0 if abs(exact_db) < SAME_GAIN_DB else exact_db
    return Explanation(
        kind="processed",
        gain_db=gain_db,
        words=_words(lag, gain_db, excerpt.rate_hz, db_from_ratio(left / whole)),
        between_samples=lag,
    )


def _words(lag: float, gain_db: float, rate_hz: int, left_db: float) -> str:
    way = "later" if lag > 0 else "earlier"
    time = f"{1000 * abs(lag) / rate_hz:.3f} ms"
    level = f", {gain_db:+.2f} dB" if gain_db else ""
    rest = f"; what else differs lies {-left_db:.0f} dB under it" if left_db > RESTED_DB else ""
    return f"as if moved {abs(lag):,.2f} samples ({time}) {way}{level}{rest}"


def _moved(excerpt: Excerpt, lag: float, window: tuple[int, int]) -> Planar | None:
    """The original so much later, as in a window of the stretch; None beyond what was read."""
    whole = round(lag)
    first = excerpt.lead + window[0] - whole - _MARGIN
    last = excerpt.lead + window[1] - whole + _MARGIN
    if first < 0 or last > excerpt.around.shape[1]:
        return None
    sound = excerpt.around[:, first:last]
    length = 1 << int(np.ceil(np.log2(sound.shape[1])))
    spectrum = np.fft.rfft(sound, length, axis=1)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(length) * (lag - whole))
    moved = np.fft.irfft(spectrum * turn, length, axis=1)
    return np.asarray(moved[:, _MARGIN : sound.shape[1] - _MARGIN])


def _later(original: Planar, returned: Planar) -> float:
    """By which part of a sample the second lies later: the slope of the phase between both.

    Weighted by what both have at a frequency; right up to a sample, as phases turn once at most.
    """
    taper = np.hanning(original.shape[1])
    spectra = [np.fft.rfft(each * taper, axis=1) for each in (original, returned)]
    cross = (spectra[0] * spectra[1].conj()).sum(axis=0)
    angular = 2 * np.pi * np.fft.rfftfreq(original.shape[1])
    weight = np.abs(cross)
    return float((weight * angular * np.angle(cross)).sum()) / max(
        float((weight * angular**2).sum()), _TINY
    )


def _fit(original: Planar, returned: Planar) -> tuple[float, float]:
    """The gain that leaves least of the returned sound, and the root of the energy it leaves."""
    gain = float(np.vdot(original, returned)) / max(float(np.vdot(original, original)), _TINY)
    return gain, float(np.linalg.norm(returned - gain * original))


Line = npt.NDArray[np.float64]
"""Shape (frames,)."""
Part = tuple[int, int, Explanation]
"""Start and end in a stretch, and what was done there."""

# 170 ms at 48 kHz: little enough to lie inside a moved part, enough to be found once.
WINDOW_FRAMES = 8_192
# What is shorter is alike elsewhere by chance.
MIN_FRAMES = 256
# Correlation at the best place; a moved sound reaches 1 but for rounding and edges.
MIN_LIKENESS = 0.9
ALIKE_BETWEEN = 0.6
"""Half a sample off, white noise is like itself to 0.64 = sinc(1/2)."""
# Times what the best place leaves: places that leave as little are as likely.
_AS_LITTLE_LEFT = 1.5
# Of the power, so that exact places count as alike.
_ROUNDING_LEFT = 1e-6
# Bounds the time for a stretch that was cut into very many pieces.
MOST_PARTS = 24
# Steps in which a moved part is followed to its ends; then to the sample.
_MATCH_FRAMES = 64
# So many steps without a match end a part; fewer are bridged.
_HOLE_CELLS = 4
# Keeps quotients finite where nothing sounds.
_TINY = 1e-30


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundPlace:
    """Where a window lies in a longer stretch; likeness -1..1, negative where inverted."""

    start: int
    likeness: float


def locate(window: Line, stretch: Line, near: int = 0) -> FoundPlace | None:
    """Where the stretch is most like the window, by normalised correlation; None where silent.

    near: of places that are equally like it (loops, single cycles), the nearest to this one.
    """
    frames, size = len(window), len(stretch)
    own = float(window @ window)
    if size < frames or own <= _TINY:
        return None
    length = 1 << int(np.ceil(np.log2(size)))
    spectrum = np.fft.rfft(stretch, length) * np.fft.rfft(window, length).conj()
    products = np.fft.irfft(spectrum, length)[: size - frames + 1]
    sums = np.concatenate([[0.0], np.cumsum(stretch**2)])
    energy = sums[frames:] - sums[: size - frames + 1]
    likeness = np.clip(products / np.sqrt(np.maximum(energy, 1e-6 * own) * own), -1.0, 1.0)
    sizes = np.abs(likeness)
    best = np.flatnonzero(sizes >= equally_like(float(sizes.max())))
    nearest = int(best[np.abs(best - near).argmin()])
    peak = _top_of(sizes, nearest)
    return FoundPlace(start=peak, likeness=float(likeness[peak]))


def equally_like(best: float) -> float:
    """From which likeness on a place leaves about as little of the sound as the best one does.

    A tone is like itself a cycle further to within a thousandth; an exact copy leaves nothing.
    """
    return 1.0 - _AS_LITTLE_LEFT * (1.0 - best) - _ROUNDING_LEFT


def _top_of(sizes: Line, place: int) -> int:
    """The top of the hill that a place lies on: low sounds are alike over many samples."""
    while place + 1 < len(sizes) and sizes[place + 1] > sizes[place]:
        place += 1
    while place > 0 and sizes[place - 1] > sizes[place]:
        place -= 1
    return place


def parts_of(excerpt: Excerpt) -> list[Part]:
    """What was done in a stretch, in order of place; one part, or several where sound was moved."""
    waiting = [(0, excerpt.frames)]
    found: list[Part] = []
    while waiting:
        start, end = waiting.pop()
        part = excerpt.part(start, end)
        whole = as_level(part)
        if whole is None and len(found) + len(waiting) < MOST_PARTS:
            moved = _moved_part(part)
            if moved is not None:
                first, last, how = moved
                found.append((start + first, start + last, how))
                waiting += [
                    rest
                    for rest in ((start, start + first), (start + last, end))
                    if rest[0] < rest[1]
                ]
                continue
        how = whole or _between(part) or as_processed(part) or Explanation(kind="edited")
        found.append((start, end, how))
    return sorted(found, key=lambda each: each[:2])


def _between(excerpt: Excerpt) -> Explanation | None:
    """The whole of it moved by no whole number of samples, by the loudest sound in it."""
    found = _sought(excerpt)
    if found is None or found.likeness < ALIKE_BETWEEN:
        return None
    return as_between_samples(excerpt, found.moved, found.window)


@dataclass(frozen=True, slots=True)
class _Sought:
    """Its loudest window [start, end), how much later it lies than in the original, how like."""

    window: tuple[int, int]
    moved: int
    likeness: float


def _sought(excerpt: Excerpt) -> _Sought | None:
    """The loudest window, looked for in the original around it."""
    if excerpt.frames < MIN_FRAMES:
        return None
    mono = excerpt.returned.mean(axis=0)
    window = min(WINDOW_FRAMES, excerpt.frames)
    start = _loudest(mono, window)
    around = excerpt.around.mean(axis=0)
    place = locate(mono[start : start + window], around, excerpt.lead + start)
    if place is None:
        return None
    return _Sought((start, start + window), excerpt.lead + start - place.start, place.likeness)


def _moved_part(excerpt: Excerpt) -> Part | None:
    """The longest stretch around the loudest sound that the original holds somewhere near."""
    found = _sought(excerpt)
    if found is None or found.likeness < MIN_LIKENESS:
        return None
    (start, end), moved = found.window, found.moved
    there = excerpt.around[:, excerpt.lead - moved : excerpt.lead - moved + excerpt.frames]
    if moved == 0 or there.shape != excerpt.returned.shape:
        return None
    inside = slice(start, end)
    power = float(np.vdot(there[:, inside], there[:, inside]))
    gain = float(np.vdot(there[:, inside], excerpt.returned[:, inside])) / max(power, _TINY)
    matches = _matching(gain * there, excerpt)
    span = _stretch_around(matches, (start + (end - start) // 2) // _MATCH_FRAMES)
    if span is None or gain <= 0.0:
        return None
    first, last = _to_the_sample(gain * there, excerpt, span)
    gain_db = db_from_ratio(gain)
    how = Explanation(
        kind="moved",
        gain_db=0.0 if abs(gain_db) < UNITY_DB else gain_db,
        moved_samples=moved,
    )
    return (first, last, how) if last - first >= MIN_FRAMES else None


def _loudest(mono: Line, window: int) -> int:
    sums = np.concatenate([[0.0], np.cumsum(mono**2)])
    return int((sums[window:] - sums[:-window]).argmax())


def _matching(expected: npt.NDArray[np.float64], excerpt: Excerpt) -> npt.NDArray[np.bool_]:
    """For each 64 frames, whether nothing of note is left of them; the rest of the last counts."""
    left = np.square(excerpt.returned - expected).sum(axis=0)
    own = np.square(excerpt.returned).sum(axis=0)
    starts = np.arange(0, excerpt.frames, _MATCH_FRAMES)
    rounding = 2 * _MATCH_FRAMES * len(excerpt.returned) * (excerpt.step or 2.0**-24) ** 2
    limit = np.maximum(rounding, LEFT_IN_A_CELL**2 * np.add.reduceat(own, starts))
    return np.asarray(np.add.reduceat(left, starts) <= limit)


def _stretch_around(matches: npt.NDArray[np.bool_], middle: int) -> tuple[int, int] | None:
    """Cells around the middle one that match, over holes of a few."""
    if not matches[middle]:
        return None
    gaps = np.flatnonzero(~matches)
    first, last = middle, middle + 1
    for end in _runs_outward(gaps[gaps > middle]):
        if end[1] - end[0] > _HOLE_CELLS:
            last = end[0]
            break
    else:
        last = len(matches)
    for begin in _runs_outward(-gaps[gaps < middle][::-1]):
        if begin[1] - begin[0] > _HOLE_CELLS:
            first = 1 - begin[0]
            break
    else:
        first = 0
    return first * _MATCH_FRAMES, last * _MATCH_FRAMES


def _runs_outward(places: npt.NDArray[np.intp]) -> Iterator[tuple[int, int]]:
    """(start, end) of runs of consecutive rising numbers."""
    if not len(places):
        return
    breaks = np.flatnonzero(np.diff(places) > 1)
    starts = np.concatenate([places[:1], places[breaks + 1]])
    ends = np.concatenate([places[breaks], places[-1:]]) + 1
    yield from zip(starts.tolist(), ends.tolist(), strict=True)


def _to_the_sample(
    expected: npt.NDArray[np.float64], excerpt: Excerpt, span: tuple[int, int]
) -> tuple[int, int]:
    """The span, grown into the cells beside it as far as every sample fits."""
    limit = 2.0 * (excerpt.step or 2.0**-24)
    fits = np.all(np.abs(excerpt.returned - expected) <= limit, axis=0)
    first, last = max(span[0], 0), min(span[1], excerpt.frames)
    before = np.flatnonzero(~fits[max(0, first - 2 * _MATCH_FRAMES) : first])
    grown = first - max(0, first - 2 * _MATCH_FRAMES) - (int(before[-1]) + 1 if len(before) else 0)
    after = np.flatnonzero(~fits[last : last + 2 * _MATCH_FRAMES])
    room = min(2 * _MATCH_FRAMES, excerpt.frames - last)
    return first - grown, last + (int(after[0]) if len(after) else room)
