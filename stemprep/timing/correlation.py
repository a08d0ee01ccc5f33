"""How two spectra lie in time: phase-transform correlation, its peak, and how sure it is.

The generalised cross-correlation with phase transform: C. H. Knapp and G. C. Carter, "The
generalized correlation method for estimation of time delay", IEEE Trans. ASSP-24 (1976), 320-327.
The phase of the cross-spectrum alone is turned back into time, so that every frequency of the band
has one voice and a resonance of the drum does not smear the peak.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Spectrum = npt.NDArray[np.complexfloating]
Lags = npt.NDArray[np.float64]

_GUARD_S = 0.0005  # half width of a peak of a band of 8 kHz, with room for its slopes
_FINE = 8  # correlation values in a period of the top of the band: none is missed by over 4 %
# From a grid of ``_FINE`` each step squares the error: eight reach the last bit.
_NEWTON_STEPS = 8
_WORTH_REFINING = 1.1  # times the second peak; what does not stand out stays on the grid


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """The strongest place of a correlation.

    lag_samples: positive: the second signal is late; at the rate asked for.
    height:      -1..1; negative: inverted. 1: the same signal throughout the band.
    ratio:       its size over that of the second peak, at least 0.5 ms away.
    prominence:  its size over the median of all sizes within the searched lags.
    """

    lag_samples: float
    height: float
    ratio: float
    prominence: float

    @property
    def is_inverted(self) -> bool:
        """True where the second signal has the opposite polarity."""
        return self.height < 0.0

    @property
    def confidence(self) -> float:
        """0..1: how much of the power of the two strongest peaks the second does not have."""
        return 1.0 - 1.0 / max(self.ratio, 1.0) ** 2


def phase_only(
    cross: Spectrum, spacing_hz: float, band_hz: tuple[float, float]
) -> npt.NDArray[np.complex128]:
    """Every bin of the band with size one, all others and empty bins zero.

    cross: of a real transform, bin k at ``k * spacing_hz``.
    """
    flat = np.zeros(len(cross), dtype=np.complex128)
    first, last = _bins(len(cross), spacing_hz, band_hz)
    part = cross[first:last].astype(np.complex128)
    size = np.abs(part)
    np.divide(part, size, out=flat[first:last], where=size > 0.0)
    return flat


def find_peak(phases: Spectrum, spacing_hz: float, rate_hz: int, max_lag_s: float) -> Peak | None:
    """The strongest lag within ``max_lag_s`` either way; None for a spectrum without content.

    phases: as ``phase_only`` gives them. The correlation is read on a fine grid, then the peak is
    refined by Newton's method on the trigonometric sum, so that it does not depend on the grid; not
    where the second peak is almost as high, as such a peak means nothing.
    """
    weight = float(np.abs(phases).sum())
    if weight == 0.0:
        return None
    lags_s, values = _correlation(phases, spacing_hz, max_lag_s)
    sizes = np.abs(values) / weight
    best = int(sizes.argmax())
    apart = np.abs(lags_s - lags_s[best]) > _GUARD_S
    second = float(sizes[apart].max(initial=0.0))
    median = float(np.median(sizes))
    lag_s, height = float(lags_s[best]), float(values[best]) / weight
    if sizes[best] >= _WORTH_REFINING * second:
        lag_s, total = _refined(phases, spacing_hz, lag_s, height)
        height = total / weight
    return Peak(
        lag_samples=lag_s * rate_hz,
        height=height,
        ratio=abs(height) / second if second else float("inf"),
        prominence=abs(height) / median if median else float("inf"),
    )


def _bins(count: int, spacing_hz: float, band_hz: tuple[float, float]) -> tuple[int, int]:
    low, high = band_hz
    return min(int(np.ceil(low / spacing_hz)), count), min(int(high / spacing_hz) + 1, count)


def _correlation(
    phases: Spectrum, spacing_hz: float, max_lag_s: float
) -> tuple[Lags, npt.NDArray[np.float64]]:
    """Sum over the band at a grid of lags; only as many points as the band needs."""
    top = int(np.flatnonzero(phases)[-1]) + 1
    size = 1 << int(np.ceil(np.log2(2 * top * _FINE / 2)))
    whole = np.fft.irfft(phases[:top], size) * size / 2
    step_s = 1.0 / (spacing_hz * size)
    reach = min(int(max_lag_s / step_s), size // 2 - 1)
    places = np.arange(-reach, reach + 1)
    lags_s = np.asarray(places * step_s, dtype=np.float64)
    return lags_s, np.asarray(whole[places % size], dtype=np.float64)


def _refined(
    phases: Spectrum, spacing_hz: float, lag_s: float, value: float
) -> tuple[float, float]:
    """Where the slope of the sum is zero near ``lag_s``, and the sum there.

    A step is never wider than the grid; a peak of no curvature stays where it is.
    """
    at = np.flatnonzero(phases)
    turns = 2 * np.pi * spacing_hz * at
    used = phases[at]
    widest = 1.0 / (2 * _FINE * spacing_hz * (at[-1] + 1))
    for _ in range(_NEWTON_STEPS):
        terms = used * np.exp(1j * turns * lag_s)
        slope = float(-(turns * terms.imag).sum())
        bend = float(-(turns**2 * terms.real).sum())
        if bend == 0.0 or np.sign(bend) == np.sign(value):
            break
        step = float(np.clip(-slope / bend, -widest, widest))
        lag_s += step
        if abs(step) < 1e-9:  # a ten-thousandth of a sample
            break
    return lag_s, float((used * np.exp(1j * turns * lag_s)).real.sum())
