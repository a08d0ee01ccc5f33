"""Mains hum: 50 or 60 Hz and multiples that go on unchanged through the pauses.

A bass note may have the same pitch. But it is played and dies away, while hum stays at one level
in every pause, and its frequency is that of the mains to a few tenths of a hertz, where no note of
a tuned instrument lies (G1 is 49.0 Hz, B1 61.7 Hz).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from stemprep.measure.low_band import Means, point_frames, window_points
from stemprep.model.facts import HumFacts
from stemprep.units import db_from_power, db_from_ratio, power_from_db, ratio_from_db

Complex = npt.NDArray[np.complex128]

# The mains frequencies of the world (IEC 60038).
MAINS_HZ = (50, 60)
# Of the mains: rectifiers and dimmers buzz at these; higher ones lie beyond the low band.
MULTIPLES = 5
SHORT_WINDOWS = 4  # make one of half a second
# Half seconds, 12 s of pauses in all: bounds memory.
KEPT = 24
MIN_KEPT = 4  # pauses of less than 2 s in all tell nothing
MAX_SHARE = 0.34  # of all windows: the quietest third at most is taken for pauses
# Over the quietest: what is louder holds more than the pause.
QUIET_RANGE_DB = 6.0
# Mean square of -100 dBFS: hum below it is under the noise of any converter.
FAINTEST = ratio_from_db(-100.0) ** 2

MAX_SPREAD_DB = 3.0  # between the tenth and the ninetieth percentile of the pauses
MAX_FADE_DB = 1.0  # from the first to the second half of a window
# Mains keep to a few tenths of a hertz; the nearest note, G1, lies 1 Hz off.
MAX_DETUNING_HZ = 0.4
# Either side of a partial, outside of what a window of half a second spreads it over.
BESIDE_HZ = (-8.0, -6.0, 6.0, 8.0)
HIGHEST_SHARE = 0.45  # of the points' rate
BARE_PROMINENCE = 4.0  # in power; less is not looked at closely
# Over what lies beside it; no source.
MIN_PROMINENCE_DB = 10.0
# A single partial may be a held note, several of one mains are not.
MIN_MULTIPLES = 2
LONE_PROMINENCE_DB = 20.0  # for a single one


class Hum:
    """Keeps the quietest half seconds of the low band, whatever the length of the file."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._points_hz = rate_hz / point_frames(rate_hz)
        self._points = window_points(rate_hz) * SHORT_WINDOWS
        self._held: Means = np.zeros((channels, 0, window_points(rate_hz)))
        self._powers: npt.NDArray[np.float64] = np.zeros(0)
        self._windows: Means = np.zeros((0, channels, self._points))
        self._seen = 0

    def add(self, windows: Means) -> None:
        """Windows of means; those that touch digital silence are left out."""
        joined = np.concatenate([self._held, windows], axis=1)
        count = joined.shape[1] // SHORT_WINDOWS
        done = count * SHORT_WINDOWS
        self._held = joined[:, done:]
        if not count:
            return
        longer = joined[:, :done].reshape(len(joined), count, self._points).swapaxes(0, 1)
        means = longer @ np.full(self._points, 1.0 / self._points)
        squares = np.matmul(longer[..., None, :], longer[..., None])[..., 0, 0]
        powers = (squares / self._points - means * means).sum(axis=1)
        sounding = powers > 0.0
        if not longer.all():
            sounding &= (longer != 0.0).all(axis=2).any(axis=1)
        self._seen += int(np.count_nonzero(sounding))
        limit = self._powers[-1] if self._powers.size == KEPT else math.inf
        chosen = sounding & (powers < limit)
        if chosen.any():
            self._keep(powers[chosen], longer[chosen])

    def facts(self) -> HumFacts | None:
        """The stronger of the two mains in the loudest channel; None where there is neither.

        Only of use where the sound has pauses.
        """
        most = min(int(self._seen * MAX_SHARE), self._powers.size)
        quiet = self._powers[:most]
        quiet = quiet[quiet <= quiet[:1] * power_from_db(QUIET_RANGE_DB)] if quiet.size else quiet
        if quiet.size < MIN_KEPT or quiet[-1] < FAINTEST:
            return None
        pauses = self._windows[: quiet.size]
        found = []
        for channel in range(pauses.shape[1]):
            heard = pauses[:, channel]
            peaks_hz = _peaks_hz(heard, self._points_hz)
            found += [_hum(heard, self._points_hz, hz, peaks_hz, channel + 1) for hz in MAINS_HZ]
        known = [one for one in found if one is not None]
        return max(known, key=lambda one: one.level_dbfs, default=None)

    def _keep(self, powers: npt.NDArray[np.float64], windows: Means) -> None:
        every = np.concatenate([self._powers, powers])
        order = np.argsort(every, kind="stable")[:KEPT]
        self._powers = every[order]
        self._windows = np.concatenate([self._windows, windows])[order]


def _peaks_hz(pauses: Means, points_hz: float) -> frozenset[int]:
    """Multiples of either mains that may stand out: what one spectrum tells of all of them."""
    points = pauses.shape[1]
    window = 1 - np.cos(2 * np.pi * (np.arange(points) + 0.5) / points)
    powers = np.square(np.abs(np.fft.rfft(pauses * window))).mean(axis=0)
    peaks = set()
    for hz in (mains_hz * n for mains_hz in MAINS_HZ for n in range(1, MULTIPLES + 1)):
        place = round(hz * points / points_hz)
        if hz < HIGHEST_SHARE * points_hz and place + 5 < powers.size:
            beside = powers[[place - 4, place - 3, place + 3, place + 4]].mean()
            if powers[place - 1 : place + 2].max() > BARE_PROMINENCE * beside:
                peaks.add(hz)
    return frozenset(peaks)


def _hum(
    pauses: Means, points_hz: float, mains_hz: int, peaks_hz: frozenset[int], channel: int
) -> HumFacts | None:
    """Hum of one mains frequency in the pauses of one channel, shape (pauses, points)."""
    multiples = [mains_hz * n for n in range(1, MULTIPLES + 1) if mains_hz * n in peaks_hz]
    heard = [(hz, _partial(pauses, points_hz, hz)) for hz in multiples]
    partials = [(hz, *found) for hz, found in heard if found is not None]
    is_lone = len(partials) < MIN_MULTIPLES
    if not partials or (is_lone and partials[0][2] < LONE_PROMINENCE_DB):
        return None
    return HumFacts(
        mains_hz=mains_hz,
        channel=channel,
        level_dbfs=db_from_power(sum(amplitude**2 / 2 for _, amplitude, _ in partials)),
        partials_hz=tuple(hz for hz, _, _ in partials),
    )


def _partial(pauses: Means, points_hz: float, hz: int) -> tuple[float, float] | None:
    """Amplitude (full scale = 1.0) and prominence in dB of one steady partial; None otherwise."""
    points = pauses.shape[1]
    half = points // 2
    whole = np.abs(pauses @ _probe(points, points_hz, hz))
    amplitude = float(np.median(whole))
    beside = [np.abs(pauses @ _probe(points, points_hz, hz + offset)) for offset in BESIDE_HZ]
    around = math.sqrt(float(np.mean(np.square(beside))))
    prominence_db = db_from_ratio(amplitude / around) if amplitude and around else 0.0
    if prominence_db < MIN_PROMINENCE_DB:
        return None
    low, high = np.percentile(whole, (10, 90))
    first = pauses[:, :half] @ _probe(half, points_hz, hz)
    second = pauses[:, half : 2 * half] @ _probe(half, points_hz, hz)
    fade_db = 20 * np.log10(np.abs(second) / np.maximum(np.abs(first), 1e-30) + 1e-30)
    turn = np.angle(second * np.conj(first)) / (2 * np.pi)
    detuning_hz = _wrapped(turn - hz * half / points_hz) * points_hz / half
    is_steady = db_from_ratio(float(high / low)) <= MAX_SPREAD_DB if low else False
    if not is_steady or abs(float(np.median(fade_db))) > MAX_FADE_DB:
        return None
    if float(np.median(np.abs(detuning_hz))) > MAX_DETUNING_HZ:
        return None
    return amplitude / float(np.sinc(hz / points_hz)), prominence_db


def _wrapped(turns: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Whole turns taken out: -0.5 to 0.5."""
    return np.asarray(turns - np.rint(turns))


@lru_cache(maxsize=256)
def _probe(points: int, points_hz: float, hz: float) -> Complex:
    """Hann-weighted rotation that reads the amplitude of a sine of ``hz`` in so many points."""
    places = np.arange(points)
    window = 1 - np.cos(2 * np.pi * (places + 0.5) / points)
    rotation = np.exp(-2j * np.pi * hz / points_hz * places)
    return np.asarray(2 * window * rotation / window.sum())
