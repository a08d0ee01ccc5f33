"""Where one microphone's sound lies in another's within two seconds, to some milliseconds.

The fine search (``microphone_lag``) looks within 50 ms and would find something in every steady
pattern. Here windows of a second are held against the other recording at every lag. Each window
says at which lags it fits; a lag counts as found only where no other one fits as many windows
nearly as well, or where several windows fit this one alone and hardly any only the other. In a loop
that repeats to the sample every window fits at every turn, and then nothing is found.

Both spectra are whitened before they are multiplied (smoothed coherence transform, after G. C.
Carter, A. H. Nuttall and P. G. Cable, Proc. IEEE 61, 1973, 1497-1498, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]
Fits = npt.NDArray[np.float64]

SEARCH_RATE_HZ = 8_000
"""Both are brought to it: enough for the band, and a twelfth of the work at 96 kHz."""
# Windows of a second, each of which says by itself at which lags it fits.
SEARCH_WINDOW_S = 1.0
# Before the loud place: its attack belongs to the window.
LEAD_S = 0.1
# Either side: so far moved microphones are sought.
SEARCH_REACH_S = 2.0
# Bounds the time; each says at which lags it fits.
MOST_WINDOWS = 16
# Of a recording: a window and the reach on both sides hardly fit into less.
SHORTEST_S = 3.0
# All that is left at ``SEARCH_RATE_HZ`` below its filter's slope.
BAND_HZ = (100.0, 3_500.0)
_WHITE_HZ = 10.0  # spectra are whitened over so wide a band
_STEP_S = 0.005  # fits are told for steps of lag
_SPREAD_STEPS = 3  # steps either way that count as one lag: two clocks drift by that much
_APART_S = 0.03  # nearer lags are reflections, and up to the fine search
_FLOOR = 1e-3  # of the loudest place's energy: what is quieter cannot fit well
_NOTHING = 1e-6  # of the peak: what resampling leaves in digital silence
_LEAST_SOUND = 0.8  # of a window that lies in the file
_QUIETEST = 0.05  # of the loudest column: below, a window is left out
MIN_SCORE = 5.5  # over the median of all lags, in units of their spread; the fine search confirms
NEARLY = 0.7  # of the best lag's fit: what the fine search's ratio of 1.4 comes to
# Windows that fit one lag alone, and so many times those that fit only the other.
MIN_WINS, MIN_WINS_A_LOSS = 3, 3
_WIN = 4.0  # in units of the spread of fits


@dataclass(frozen=True, slots=True, kw_only=True)
class WideLag:
    """A lag that alone fits.

    lag_s: how much later the other recording is, to some milliseconds.
    score: how far its fit stands over that of all lags, in units of their spread.
    """

    lag_s: float
    score: float


def search_stretches(columns: Sequence[float], frames: int, rate_hz: int) -> tuple[int, ...]:
    """Starts of windows in which a recording is loud, spread over it; at most MOST_WINDOWS.

    columns: largest absolute sample of equal stretches of its ``frames``. Of each part of the
    recording the loudest column is taken, so that breaks and ends, where a pattern shows which of
    its turns is meant, have a voice. None in a recording too short to hold another lag.
    """
    if frames < SHORTEST_S * rate_hz:
        return ()
    sizes = np.asarray(columns, dtype=np.float64)
    count = min(MOST_WINDOWS, int(frames / (SEARCH_WINDOW_S * rate_hz)) + 1)
    edges = np.arange(len(sizes) + 1) * frames // max(len(sizes), 1)
    taken: list[int] = []
    for part in np.array_split(np.arange(len(sizes)), count):
        if not len(part):
            continue
        loudest = int(part[sizes[part].argmax()])
        start = int(edges[loudest]) - int(LEAD_S * rate_hz)
        is_apart = not taken or start - taken[-1] >= SEARCH_WINDOW_S * rate_hz / 2
        if is_apart and sizes[loudest] > _QUIETEST * sizes.max(initial=0.0):
            taken.append(start)
    return tuple(taken)


def window_fits(reference: Samples, other: Samples) -> Fits | None:
    """How well a window fits at each step of lag, 0..1; None where one of both is silent.

    NaN where the other recording holds nothing, as beyond its ends: there it says nothing.

    Both of one channel at SEARCH_RATE_HZ: the reference SEARCH_WINDOW_S long, the other one longer
    by SEARCH_REACH_S before and after it. The first step is that of -SEARCH_REACH_S.
    """
    frames, reach = len(reference), len(other) - len(reference)
    size = 1 << (len(other) + frames - 1).bit_length()
    near = _white(np.fft.rfft(_shaped(reference), size), size)
    far = _white(np.fft.rfft(other, size), size)
    if near is None or far is None:
        return None
    cross = np.fft.irfft(far * near.conj(), size)[: reach + 1]
    own, heard = np.fft.irfft(near, size), np.fft.irfft(far, size)
    sums = np.concatenate([[0.0], np.cumsum(np.square(heard[: len(other)]))])
    energy = sums[frames:] - sums[: reach + 1]
    whole = float(np.square(own).sum())
    fit = np.abs(cross) / np.sqrt(whole * np.maximum(energy, _FLOOR * energy.max()))
    fit[_share_of_sound(other, frames) < _LEAST_SOUND] = np.nan
    step = int(_STEP_S * SEARCH_RATE_HZ)
    steps = len(fit) // step
    return np.asarray(fit[: steps * step].reshape(steps, step).max(axis=1))


def _share_of_sound(sound: Samples, frames: int) -> Fits:
    """How much of each window of so many frames is anything but digital silence."""
    sizes = np.abs(sound)
    is_sound = sizes > _NOTHING * float(sizes.max())
    sums = np.concatenate([[0], np.cumsum(is_sound)])
    return np.asarray((sums[frames:] - sums[:-frames]) / frames)


def _shaped(window: Samples) -> npt.NDArray[np.float64]:
    return np.asarray(window * np.hanning(len(window) + 2)[1:-1])


def _white(spectrum: npt.NDArray[np.complex128], size: int) -> npt.NDArray[np.complex128] | None:
    """The band with its level evened out; None where it is empty."""
    spacing_hz = SEARCH_RATE_HZ / size
    width = 2 * int(_WHITE_HZ / spacing_hz / 2) + 1
    power = np.square(np.abs(spectrum))
    sums = np.concatenate([[0.0], np.cumsum(np.pad(power, width // 2))])
    smooth = np.sqrt(np.maximum(sums[width:] - sums[:-width], 0.0) / width)
    first, last = (int(edge / spacing_hz) for edge in BAND_HZ)
    if not smooth[first:last].any():
        return None
    flat = np.zeros_like(spectrum)
    part = slice(first, last)
    least = 1e-6 * float(smooth[part].max())
    flat[part] = spectrum[part] / np.maximum(smooth[part], least)
    return flat


def wide_lag(fits: Sequence[Fits]) -> WideLag | None:
    """The lag that alone fits the windows; None where none does, or others fit nearly as well.

    fits: of every window, as ``window_fits`` gives them.
    """
    if not fits:
        return None
    spread = np.array([_spread_out(each) for each in fits])
    mean = _mean_of_votes(spread)
    best = int(mean.argmax())
    middle = float(np.median(mean))
    deviation = float(np.median(np.abs(mean - middle))) / 0.6745
    height = float(mean[best]) - middle
    if height <= 0.0 or height < MIN_SCORE * deviation:
        return None
    if not all(_is_beaten(spread, best, rival, middle) for rival in _rivals(mean, best, middle)):
        return None
    around = slice(max(best - _SPREAD_STEPS, 0), best + _SPREAD_STEPS + 1)
    near = np.nansum(np.array(fits)[:, around], axis=0)
    step = int(near.argmax()) + around.start
    return WideLag(
        lag_s=(step + 0.5) * _STEP_S - SEARCH_REACH_S,
        score=height / deviation if deviation else float("inf"),
    )


def _mean_of_votes(spread: Fits) -> Fits:
    """Mean over windows that say something; 0 where fewer than half of them do."""
    votes = np.isfinite(spread).sum(axis=0)
    total = np.nansum(spread, axis=0)
    return np.where(2 * votes >= len(spread), total / np.maximum(votes, 1), 0.0)


def _spread_out(fit: Fits) -> Fits:
    """The best fit within some steps either way; NaN where its middle says nothing."""
    padded = np.pad(np.nan_to_num(fit), _SPREAD_STEPS)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _SPREAD_STEPS + 1)
    return np.where(np.isnan(fit), np.nan, windows.max(axis=1))


def _rivals(mean: Fits, best: int, middle: float) -> list[int]:
    """Other lags that fit nearly as well, the best first."""
    apart = int(_APART_S / _STEP_S)
    rest = mean - middle
    least = NEARLY * rest[best]
    found: list[int] = []
    rest = rest.copy()
    at = best
    while True:
        rest[max(at - apart, 0) : at + apart + 1] = 0.0
        at = int(rest.argmax())
        if rest[at] < least:
            return found
        found.append(at)


def _is_beaten(spread: Fits, best: int, rival: int, middle: float) -> bool:
    """Several windows fit the best lag alone, and hardly any only the rival."""
    noise = float(np.nanmedian(np.abs(spread - middle))) / 0.6745
    gain = spread[:, best] - spread[:, rival]
    wins, losses = int((gain > _WIN * noise).sum()), int((gain < -_WIN * noise).sum())
    return wins >= MIN_WINS and wins >= MIN_WINS_A_LOSS * losses
