"""Test signals of EBU Tech 3341 and 3342, synthesised from their tables."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.signal import firwin, oaconvolve

from tests.signals import Planar


def steps(parts: Sequence[tuple[float, float]], rate_hz: int, channels: int = 2) -> Planar:
    """1 kHz sine, phase-continuous, in parts of (seconds, peak dBFS); -inf is silence."""
    levels = [
        np.full(round(seconds * rate_hz), 10 ** (peak_dbfs / 20)) for seconds, peak_dbfs in parts
    ]
    gain = np.concatenate(levels)
    wave = gain * np.sin(2 * np.pi * 1000 * np.arange(gain.size) / rate_hz)
    return np.tile(wave, (channels, 1))


def faded_sine(divisor: int, peak: float, phase_degrees: float, rate_hz: int) -> Planar:
    """Signals 15 to 19: sine at rate / divisor, one second, 10 ms linear fades."""
    frames = rate_hz
    wave = peak * np.sin(2 * np.pi * np.arange(frames) / divisor + np.radians(phase_degrees))
    return np.tile(_faded(wave, rate_hz // 100), (2, 1))


def burst(offset: int, rate_hz: int) -> Planar:
    """Signals 20 to 23: one period of rate / 4 at full scale inside a half-scale rate / 6.

    Made at four times the rate, low-passed (Kaiser, 1023 taps, beta 10, 0.97 of half the rate)
    and every fourth sample kept from ``offset`` on; the document leaves filter and splice open,
    this choice reproduces the sample peaks of the official files (-0.1, -0.5, -2.5, -0.5 dBFS).
    """
    periods = rate_hz // 12
    carrier = 0.5 * np.sin(2 * np.pi * np.arange(24 * periods) / 24)
    inserted = np.sin(2 * np.pi * np.arange(16) / 16)
    wave = _faded(np.concatenate([carrier, inserted, carrier]), rate_hz // 25)
    low_pass = firwin(1023, 0.97 / 4, window=("kaiser", 10))
    return np.tile(oaconvolve(wave, low_pass, mode="same")[offset::4], (2, 1))


def _faded(wave: np.ndarray, frames: int) -> np.ndarray:
    ramp = np.arange(frames) / frames
    faded = wave.copy()
    faded[:frames] *= ramp
    faded[-frames:] *= ramp[::-1]
    return faded
