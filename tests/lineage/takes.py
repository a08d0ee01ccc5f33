"""Made-up takes: plucked notes with noisy attacks, silence between some, seeded."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

RATE_HZ = 48_000
STEP = 2.0**-23
Planar = npt.NDArray[np.float64]


@lru_cache(maxsize=32)
def _notes(seed: int, seconds: float) -> Planar:
    generator = np.random.default_rng(seed)
    sound = np.zeros(round(seconds * RATE_HZ))
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    for beat in np.arange(0.25, seconds - 0.5, 0.25):
        if generator.random() < 0.2:
            continue
        start = round((beat + generator.uniform(-0.02, 0.02)) * RATE_HZ)
        pitch_hz = generator.uniform(80, 900)
        wave = sum(np.sin(2 * np.pi * pitch_hz * part * time_s) / part for part in range(1, 6))
        hiss = generator.normal(size=len(time_s)) * np.exp(-time_s / 0.02)
        sound[start : start + len(time_s)] += (
            0.08 * generator.uniform(0.3, 1) * (wave * np.exp(-8 * time_s) + hiss)
        )
    return rounded(np.clip(sound, -0.9, 0.9)[np.newaxis])


def take(seed: int = 1, seconds: float = 6.0) -> Planar:
    """One channel at 48 kHz, every sample a whole step of 24 bits; shape (1, frames)."""
    return _notes(seed, seconds).copy()


def rounded(sound: Planar, bits: int = 24) -> Planar:
    """To whole steps of so many bits, as a fixed-point file holds them."""
    step = 2.0 ** (1 - bits)
    return np.asarray(np.rint(sound / step) * step)


def filtered(sound: Planar) -> Planar:
    """Through a shelf that takes the highs down, by its spectrum; the same length."""
    spectrum = np.fft.rfft(sound, axis=1)
    frequency = np.fft.rfftfreq(sound.shape[1], 1 / RATE_HZ)
    return rounded(np.fft.irfft(spectrum / (1 + (frequency / 800) ** 2), sound.shape[1], axis=1))
