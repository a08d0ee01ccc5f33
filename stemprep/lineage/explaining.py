"""What was done in a stretch in which a returned recording differs from the original.

The simplest reading that leaves nothing but rounding is taken: one gain, a gain that is faded, a
level that was ridden, a move (``moving``); else processing, where spectrum or loudness still follow
the original, and an edit where they do not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stemprep.lineage.differences import CELLS_PER_S, Sums, correlation
from stemprep.model.reconciliation import Region, RegionKind
from stemprep.units import db_from_ratio

Planar = npt.NDArray[np.float64]

NOTHING_LEFT = 10 ** (-50 / 20)
"""Of the returned sound: less than this is left by a gain alone, whatever else it may be."""
# Cells whose gains differ by less have one gain: an audible step is many times that.
SAME_GAIN_DB = 0.05
# Under it a gain is told as none.
UNITY_DB = 0.005
# At an edge: a level that moves only there was faded.
FADE_S = 0.5
# -40 dB: one cell is short and its gain is known less well than that of a stretch.
LEFT_IN_A_CELL = 10 ** (-40 / 20)
# Processed: half of the power follows the original's spectrum, or levels correlate by 0.9.
COHERENT, FOLLOWING = 0.5, 0.9
# Long enough for low sound, short enough for windows to differ.
_COHERENCE_FRAMES = 4_096
# Fewer are coherent by chance.
_MIN_WINDOWS = 8
_HEARD_LSB = 300.0  # 50 dB over a step: there the gain of a cell is known to 0.01 dB
# Keeps quotients finite where nothing sounds.
_TINY = 1e-30


@dataclass(frozen=True, slots=True, kw_only=True)
class Excerpt:
    """A stretch that differs, as it was and as it came back; or its loudest part.

    original: of the same times and channels; around: the original from ``lead`` frames before the
              stretch to as many after it, silence beyond the file, for finding a move.
    step:     largest of both quantising steps; 0 for float.
    """

    original: Planar
    returned: Planar
    around: Planar
    lead: int
    rate_hz: int
    step: float

    @property
    def frames(self) -> int:
        """Its length."""
        return int(self.returned.shape[1])

    @property
    def floor(self) -> float:
        """Root of the energy that rounding leaves in it."""
        return float((self.step or 2.0**-24) * np.sqrt(self.returned.size))

    def part(self, start: int, end: int) -> Excerpt:
        """A stretch of it."""
        return replace(
            self,
            original=self.original[:, start:end],
            returned=self.returned[:, start:end],
            around=self.around[:, start : end + 2 * self.lead],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """What was done: as in ``Region``, without its place.

    between_samples: how much later it lies where that is no whole number of samples.
    """

    kind: RegionKind
    gain_db: float | None = None
    moved_samples: int | None = None
    words: str = ""
    between_samples: float | None = None

    def at(self, start: int, end: int) -> Region:
        """The region in which it holds."""
        return Region(
            start_sample=start,
            end_sample=end,
            kind=self.kind,
            gain_db=self.gain_db,
            moved_samples=self.moved_samples,
            words=self.words,
        )


def as_level(excerpt: Excerpt) -> Explanation | None:
    """Read a stretch as silence, or as the original at another level."""
    original, returned = excerpt.original, excerpt.returned
    floor = excerpt.floor
    before, after = (float(np.linalg.norm(each)) for each in (original, returned))
    if after <= floor:
        return Explanation(kind="edited", words="silenced")
    if before <= floor:
        return Explanation(kind="edited", words="sound where there was silence")
    return (
        _one_gain(original, returned, floor, excerpt.step)
        or _faded_gain(original, returned, excerpt)
        or _ride(original, returned, excerpt)
    )


def _one_gain(original: Planar, returned: Planar, floor: float, step: float) -> Explanation | None:
    gain = float(np.vdot(original, returned) / np.vdot(original, original))
    left = float(np.linalg.norm(returned - gain * original))
    if gain == 0.0 or left > max(floor, NOTHING_LEFT * float(np.linalg.norm(returned))):
        return None
    gain_db = db_from_ratio(abs(gain))
    if gain < 0.0:
        level = "" if abs(gain_db) < SAME_GAIN_DB else f", {gain_db:+.2f} dB"
        return Explanation(kind="processed", gain_db=gain_db, words=f"polarity inverted{level}")
    if abs(gain_db) < UNITY_DB:
        bits = round(1 - np.log2(step)) if step else 0
        words = f"the same sound but for the rounding to {bits} bits" if bits else ""
        return Explanation(kind="processed", gain_db=0.0, words=words)
    return Explanation(kind="gain", gain_db=gain_db)


def _cells(original: Planar, returned: Planar, rate_hz: int) -> tuple[Sums, Sums, Sums, int]:
    """Sums of x*x, y*y and x*y over whole cells of 5 ms, and the length of one."""
    frames = max(1, round(rate_hz / CELLS_PER_S))
    count = original.shape[1] // frames
    used = slice(0, count * frames)
    sums = (
        np.einsum("cnf,cnf->n", left, right)
        for left, right in (
            (_split(original[:, used], count), _split(original[:, used], count)),
            (_split(returned[:, used], count), _split(returned[:, used], count)),
            (_split(original[:, used], count), _split(returned[:, used], count)),
        )
    )
    first, second, third = sums
    return first, second, third, frames


def _split(samples: Planar, count: int) -> Planar:
    return samples.reshape(samples.shape[0], count, -1) if count else samples[:, None, :0]


def _gains(
    original: Planar, returned: Planar, excerpt: Excerpt
) -> tuple[Sums, npt.NDArray[np.bool_], npt.NDArray[np.intp]] | None:
    """Gain of each loud enough cell, whether it explains the cell, and the cell's number."""
    xx, yy, xy, frames = _cells(original, returned, excerpt.rate_hz)
    step = excerpt.step or 2.0**-24
    heard = np.flatnonzero(xx > frames * original.shape[0] * (_HEARD_LSB * step) ** 2)
    if len(heard) < 4:
        return None
    gains = xy[heard] / xx[heard]
    left = yy[heard] - gains * xy[heard]
    floor = frames * original.shape[0] * step**2
    explained = left <= np.maximum(floor, LEFT_IN_A_CELL**2 * yy[heard])
    return gains, explained, heard


def _faded_gain(original: Planar, returned: Planar, excerpt: Excerpt) -> Explanation | None:
    """One gain with a fade into it and out of it, as a drawn level has."""
    found = _gains(original, returned, excerpt)
    if found is None:
        return None
    gains, explained, numbers = found
    middle = float(np.median(gains))
    if middle <= 0.0:
        return None
    within = np.abs(20 * np.log10(np.maximum(gains, _TINY) / middle)) <= SAME_GAIN_DB
    steady = np.flatnonzero(within & explained)
    if len(steady) < 0.5 * len(gains):
        return None
    first, last = numbers[steady[0]], numbers[steady[-1]]
    inner = (numbers >= first) & (numbers <= last)
    edge = FADE_S * CELLS_PER_S
    cells = original.shape[1] * CELLS_PER_S / excerpt.rate_hz
    if (within & explained)[inner].mean() < 0.98 or first > edge or cells - last > edge + 1:
        return None
    gain_db = db_from_ratio(middle)
    if abs(gain_db) < UNITY_DB:
        return None
    way = "lower" if gain_db < 0 else "higher"
    words = f"{abs(gain_db):.2f} dB {way}, faded in and out"
    return Explanation(kind="gain", gain_db=gain_db, words=words)


def _ride(original: Planar, returned: Planar, excerpt: Excerpt) -> Explanation | None:
    """A level that moves while the sound stays: rides, fades, a compressor."""
    found = _gains(original, returned, excerpt)
    if found is None:
        return None
    gains, explained, _ = found
    if explained.mean() < 0.9 or (gains <= 0.0).mean() > 0.1:
        return None
    low, high = (db_from_ratio(float(value)) for value in np.quantile(np.abs(gains), [0.05, 0.95]))
    return Explanation(
        kind="processed", words=f"its level moved between {low:+.1f} and {high:+.1f} dB"
    )


def as_processed(excerpt: Excerpt) -> Explanation | None:
    """Read a stretch as processing: loudness or spectrum still follow the original."""
    original, returned = excerpt.original, excerpt.returned
    xx, yy, _, _ = _cells(original, returned, excerpt.rate_hz)
    follows = correlation(np.sqrt(xx), np.sqrt(yy)) >= FOLLOWING and len(xx) >= _MIN_WINDOWS
    if follows or coherence(original, returned) >= COHERENT:
        return Explanation(kind="processed")
    return None


def coherence(original: Planar, returned: Planar) -> float:
    """Magnitude-squared coherence, weighted by the returned power; 0 where too short to tell.

    Welch's estimate over windows of 4,096 frames under a Hann window, half of them shared; what
    chance makes of so many windows (1 / n) is taken off.
    """
    hop = _COHERENCE_FRAMES // 2
    count = (original.shape[1] - _COHERENCE_FRAMES) // hop + 1
    if count < _MIN_WINDOWS:
        return 0.0
    window = np.hanning(_COHERENCE_FRAMES + 1)[:-1]
    bins = hop + 1
    powers, cross = np.zeros((2, bins)), np.zeros(bins, dtype=np.complex128)
    for start in range(0, count * hop, hop):
        spectra = [
            np.fft.rfft(each[:, start : start + _COHERENCE_FRAMES] * window, axis=1)
            for each in (original, returned)
        ]
        powers += [(np.abs(each) ** 2).sum(axis=0) for each in spectra]
        cross += (spectra[0].conj() * spectra[1]).sum(axis=0)
    shared = np.abs(cross) ** 2 / np.maximum(powers[0], _TINY)
    raw = float(shared.sum() / max(float(powers[1].sum()), _TINY))
    chance = 2.0 / count
    return float((raw - chance) / (1.0 - chance))
