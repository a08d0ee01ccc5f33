"""Sound that was moved by no whole number of samples: every sample is another, the sound is not."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.lineage.explaining import SAME_GAIN_DB, Excerpt, Explanation
from stemprep.units import db_from_ratio

Planar = npt.NDArray[np.float64]

LEFT = 10 ** (-30 / 20)
"""Of the returned sound; a converter's filter there and back leaves it 38 dB down (measured)."""
BETTER = 10 ** (20 / 20)
"""Than without the move: low sound moves little by a part of a sample, whatever was done to it."""
RESTED_DB = -50.0
WHOLE_LAG = 0.02
_MARGIN = 256
_ROUNDS = 3
_TINY = 1e-30


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
