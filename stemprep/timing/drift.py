"""Whether two recordings run apart: their lag at the begin, in the middle and at the end.

Recorders without a common clock differ by up to some tens of parts in a million, and a pull-down
by 1,001 to 1,000 is a thousand of them. In one lag over a whole song that is only smeared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.timing.correlation import Peak, Spectrum
from stemprep.timing.microphones import is_verdict, microphone_lag

# In which 3 samples are 6 ppm at 48 kHz: less time would show larger drifts alone.
MIN_SPAN_S = 10.0
# Over the whole span; a lag is measured to well below one.
MIN_MOVED_SAMPLES = 3.0
# Two points always lie on a line, the third one tells whether it is a drift.
_PARTS = 3
_ON_THE_LINE = 0.25
"""How far the middle may lie beside the line through begin and end, of what that moves."""
# For small moves, where a quarter of them is less than lags scatter.
_ON_THE_LINE_SAMPLES = 1.0
# Each takes out what the one before found, and measures what is left.
_ROUNDS = 3
# ppm of one.
_PER_MILLION = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Two recordings that run apart.

    ppm:   how much faster the second one's clock is: positive, it comes later and later.
    first: the peak with the drift undone; its lag is that in the first window.
    """

    ppm: float
    first: Peak


def microphone_drift(
    reference: Spectrum, other: Spectrum, times_s: npt.NDArray[np.float64], rate_hz: int
) -> Drift | None:
    """How the lag changes over time; None where it stays, or cannot be told.

    Spectra as for ``microphone_lag``, (windows, bins); times_s: middle of each window. Three parts
    have to agree: a lag that jumps is an edit or another drum, no drift.
    """
    order = np.argsort(times_s)
    parts = [part for part in np.array_split(order, _PARTS) if len(part)]
    if len(parts) < _PARTS or times_s[order[-1]] - times_s[order[0]] < MIN_SPAN_S:
        return None
    since_s = times_s - times_s[order[0]]
    late_s_a_s = 0.0
    for step in range(_ROUNDS):
        line = _line(
            reference, _undone(other, late_s_a_s * since_s, rate_hz), parts, since_s, rate_hz
        )
        if line is None or (step == 0 and not line.is_drift(float(since_s.max()))):
            return None
        late_s_a_s += line.slope / rate_hz
    whole = microphone_lag(reference, _undone(other, late_s_a_s * since_s, rate_hz), rate_hz)
    moved = abs(late_s_a_s) * float(since_s.max()) * rate_hz
    if whole is None or not is_verdict(whole) or moved < MIN_MOVED_SAMPLES:
        return None
    return Drift(ppm=late_s_a_s * _PER_MILLION, first=whole)


@dataclass(frozen=True, slots=True)
class _Line:
    """Samples by which the lag grows in a second, and whether the middle lies on that line."""

    slope: float
    is_straight: bool

    def is_drift(self, seconds: float) -> bool:
        """A straight line that is not level: most pairs are, and cost no more than this."""
        return self.is_straight and abs(self.slope) * seconds >= MIN_MOVED_SAMPLES / 2


def _line(
    reference: Spectrum,
    other: Spectrum,
    parts: Sequence[npt.NDArray[np.intp]],
    since_s: npt.NDArray[np.float64],
    rate_hz: int,
) -> _Line | None:
    peaks = [microphone_lag(reference[part], other[part], rate_hz) for part in parts]
    sure = [peak for peak in peaks if peak is not None and is_verdict(peak)]
    if len(sure) < _PARTS or len({peak.is_inverted for peak in sure}) > 1:
        return None
    centres = np.array([_centre(reference[part], since_s[part]) for part in parts])
    lags = np.array([peak.lag_samples for peak in sure])
    slope = float((lags[-1] - lags[0]) / (centres[-1] - centres[0]))
    moved = abs(float(lags[-1] - lags[0]))
    beside = abs(float(lags[1] - lags[0] - slope * (centres[1] - centres[0])))
    return _Line(slope, beside <= max(_ON_THE_LINE * moved, _ON_THE_LINE_SAMPLES))


def _undone(spectra: Spectrum, late_s: npt.NDArray[np.float64], rate_hz: int) -> Spectrum:
    """Every window earlier by its own time."""
    bins = spectra.shape[1]
    turns = np.arange(bins) * (rate_hz / (2 * (bins - 1)))
    return np.asarray(spectra * np.exp(2j * np.pi * np.outer(late_s, turns)))


def _centre(spectra: Spectrum, times_s: npt.NDArray[np.float64]) -> float:
    """Mean time of the windows, each counting as for the lag: by its energy squared."""
    weights = np.square((np.abs(spectra.astype(np.complex128)) ** 2).sum(axis=1))
    return float(np.average(times_s, weights=weights)) if weights.any() else float(times_s.mean())
