"""Seeded stems: made music, or tracks of the field sessions where they lie beside the project."""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

Planar = npt.NDArray[np.float64]
SESSIONS = Path(__file__).parents[3] / "shared" / "sessions"
RATES_HZ = (44_100, 48_000, 88_200, 96_000)


def music(generator: np.random.Generator, frames: int, rate_hz: int) -> Planar:
    """One stem of made music, mono or stereo, with pauses and sound at its ends."""
    voice = generator.integers(5)
    mono = (_drums, _bass, _keys, _pad, _voice)[voice](generator, frames, rate_hz)
    if generator.random() < 0.3:
        return mono[None, :] * 0.5
    width = generator.random()
    pan = generator.uniform(-0.8, 0.8)
    sides = np.stack((mono * np.sqrt((1 - pan) / 2), mono * np.sqrt((1 + pan) / 2)))
    if width < 0.6:
        delay = int(generator.integers(20, 600))
        other = np.concatenate((np.zeros(delay), mono[:-delay]))
        sides += 0.4 * np.stack((other, -other)) * generator.uniform(0.3, 1)
    return sides


def _notes(generator: np.random.Generator, frames: int, rate_hz: int, every_s: float) -> list[int]:
    grid = int(every_s * rate_hz)
    return [
        int(start + generator.integers(0, grid // 20 + 1))
        for start in range(0, frames, grid)
        if generator.random() < 0.75
    ]


def _drums(generator: np.random.Generator, frames: int, rate_hz: int) -> Planar:
    out = np.zeros(frames)
    for start in _notes(generator, frames, rate_hz, 0.25):
        length = min(int(0.4 * rate_hz), frames - start)
        time = np.arange(length) / rate_hz
        hit = generator.normal(size=length) * np.exp(-time * generator.uniform(20, 80))
        hit += 2 * np.sin(2 * np.pi * generator.uniform(50, 220) * time) * np.exp(-time * 15)
        out[start : start + length] += hit * generator.uniform(0.3, 1)
    return _smoothed(out, 2)


def _tones(
    generator: np.random.Generator,
    frames: int,
    rate_hz: int,
    low: float,
    high: float,
    every_s: float,
    decay: float,
) -> Planar:
    out = np.zeros(frames)
    for start in _notes(generator, frames, rate_hz, every_s):
        length = min(int(min(4 * every_s, 2.5) * rate_hz), frames - start)
        time = np.arange(length) / rate_hz
        pitch = low * 2 ** (generator.integers(0, int(12 * np.log2(high / low)) + 1) / 12)
        tone = np.zeros(length)
        for partial in range(1, 12):
            if pitch * partial * 1.01 < 0.42 * min(rate_hz, 48_000):
                shape = np.exp(-time * decay * np.sqrt(partial))
                bend = 1 + 0.0007 * generator.normal()
                phase = generator.uniform(0, 6.28)
                tone += np.sin(2 * np.pi * pitch * partial * bend * time + phase) * shape / partial
        attack = np.minimum(time / 0.004, 1)
        noise = 0.05 * generator.normal(size=length) * np.exp(-time * 60)
        out[start : start + length] += (tone + noise) * attack * generator.uniform(0.4, 1)
    return _smoothed(out, 2)


def _bass(generator: np.random.Generator, frames: int, rate_hz: int) -> Planar:
    return _tones(generator, frames, rate_hz, 41, 110, 0.4, 2)


def _keys(generator: np.random.Generator, frames: int, rate_hz: int) -> Planar:
    return _tones(generator, frames, rate_hz, 220, 880, 0.3, 4)


def _pad(generator: np.random.Generator, frames: int, rate_hz: int) -> Planar:
    return _tones(generator, frames, rate_hz, 130, 520, 0.8, 0.6)


def _voice(generator: np.random.Generator, frames: int, rate_hz: int) -> Planar:
    line = _tones(generator, frames, rate_hz, 180, 700, 0.5, 1.5)
    time = np.arange(frames) / rate_hz
    rough = 1 + 0.3 * np.sin(2 * np.pi * generator.uniform(4, 7) * time)
    phrase = np.sin(2 * np.pi * time / generator.uniform(2.5, 5) + generator.uniform(0, 6)) > -0.6
    return line * rough * _smoothed(phrase.astype(float), int(0.02 * rate_hz))


def _smoothed(samples: Planar, width: int) -> Planar:
    return np.asarray(np.convolve(samples, np.ones(width) / width, mode="same"))


@functools.cache
def field_stems(session: str) -> tuple[int, tuple[Planar, ...]]:
    """Rate and files of a field session other than its mix and talkback; () where it is missing."""
    folder = SESSIONS / session
    paths = [
        path for path in sorted(folder.glob("*.wav")) if not {"MIX", "Talk"} & _words(path.stem)
    ]
    read = [soundfile.read(path, dtype="float64", always_2d=True) for path in paths]
    return (read[0][1] if read else 48_000), tuple(samples.T for samples, _ in read)


def _words(name: str) -> set[str]:
    return {"MIX"} & set(name.split()) | ({"Talk"} if "Talk" in name else set())


def source(
    generator: np.random.Generator, seconds: float, most: int = 24, *, with_sessions: bool = True
) -> tuple[int, list[Planar]]:
    """Rate and 4 to 24 stems before quantising: generated, three in ten of a field session."""
    if generator.random() < 0.3:
        name = ("S03a_mix_stems_null", "S01_tracking_clean")[generator.integers(2)]
        rate_hz, stems = field_stems(name)
        if stems and with_sessions:
            count = min(int(generator.integers(4, len(stems) + 1)), most)
            chosen = sorted(generator.choice(len(stems), count, replace=False))
            frames = int(seconds * rate_hz)
            start = int(generator.integers(0, stems[0].shape[1] - frames + 1))
            return rate_hz, [stems[index][:, start : start + frames] for index in chosen]
    rate_hz = int(generator.choice(RATES_HZ, p=(0.3, 0.4, 0.1, 0.2)))
    frames = int(seconds * rate_hz)
    count = int(
        generator.integers(4, 25) if generator.random() < 0.4 else generator.integers(4, 11)
    )
    return rate_hz, [music(generator, frames, rate_hz) for _ in range(min(count, most))]
