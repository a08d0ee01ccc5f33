"""Test signals: seeded, named, planar float64 of shape (channels, frames), full scale = 1.0."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

Planar = npt.NDArray[np.float64]


def sine(
    frequency_hz: float,
    *,
    peak_dbfs: float,
    seconds: float,
    rate_hz: int = 48_000,
    channels: int = 1,
    phase_degrees: float = 0.0,
) -> Planar:
    """A sine, in phase in all channels."""
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    wave = np.sin(2 * np.pi * frequency_hz * time + np.radians(phase_degrees))
    return np.tile(10 ** (peak_dbfs / 20) * wave, (channels, 1))


def silence(*, seconds: float, rate_hz: int = 48_000, channels: int = 1) -> Planar:
    """Digital silence."""
    return np.zeros((channels, round(seconds * rate_hz)))


def noise(
    *, peak_dbfs: float, seconds: float, rate_hz: int = 48_000, channels: int = 1, seed: int = 1
) -> Planar:
    """White noise, independent in every channel, scaled to an exact sample peak."""
    samples = np.random.default_rng(seed).uniform(-1, 1, (channels, round(seconds * rate_hz)))
    return np.asarray(samples * (10 ** (peak_dbfs / 20) / np.abs(samples).max()))


def pluck(
    *, peak_dbfs: float, seconds: float, rate_hz: int = 48_000, channels: int = 1, seed: int = 1
) -> Planar:
    """A decaying string-like tone with a noisy attack: plainly music, not a test tone."""
    frames = round(seconds * rate_hz)
    time = np.arange(frames) / rate_hz
    generator = np.random.default_rng(seed)
    wave = sum(
        np.sin(2 * np.pi * 110 * partial * time + generator.uniform(0, 6)) / partial
        for partial in range(1, 9)
    ) * np.exp(-3 * time)
    wave = wave + 0.1 * generator.normal(size=frames) * np.exp(-40 * time)
    return np.tile(wave * (10 ** (peak_dbfs / 20) / np.abs(wave).max()), (channels, 1))


def write_wav(
    path: Path, samples: Planar, *, rate_hz: int = 48_000, subtype: str = "PCM_24"
) -> Path:
    """Write through the reference library; integers from rounded int32, so nothing is rescaled."""
    path.parent.mkdir(parents=True, exist_ok=True)
    interleaved = np.ascontiguousarray(samples.T)
    if subtype.startswith("PCM_"):
        bits = int(subtype[4:])
        step = 2.0 ** (bits - 1)
        codes = np.clip(np.rint(interleaved * step), -step, step - 1).astype(np.int64)
        interleaved = (codes << (32 - bits)).astype(np.int32)
    soundfile.write(path, interleaved, rate_hz, subtype=subtype)
    return path
