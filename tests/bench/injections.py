"""Faults put into clean sound at random places and strengths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.clean_sound import Piece
from tests.signals import Planar

LOUD_ENOUGH = 10 ** (-50 / 20)
CLICK_LEVELS_DB = (12, 6, 0, -6, -12, -18, -24)
LEAST_S = 8.0  # shorter sound has too few pauses to tell what lies in them


@dataclass(frozen=True)
class Fault:
    """One fault in one file. group and strength: the row and column of the table."""

    check: str
    group: str
    strength: str
    channel: int
    start: int
    end: int


def place_in_sound(
    samples: Planar, length: int, around: int, generator: np.random.Generator
) -> tuple[int, int] | None:
    """Channel and start of a stretch with sound over -50 dBFS before and behind it."""
    for _ in range(200):
        channel = int(generator.integers(len(samples)))
        start = int(generator.integers(around, max(around + 1, samples.shape[1] - length - around)))
        line = samples[channel]
        before, behind = line[start - around : start], line[start + length :][:around]
        enough = min(before.size, behind.size) == around and line.size > start + length
        if enough and min(np.abs(before).max(), np.abs(behind).max()) > LOUD_ENOUGH:
            return channel, start
    return None


def clip(piece: Piece, generator: np.random.Generator) -> tuple[Planar, Fault] | None:
    """One run of full-scale samples at the highest place of a loud piece."""
    length = int(generator.choice([3, 4, 6, 12, 40]))
    samples = piece.samples.copy()
    found = place_in_sound(samples, length, 64, generator)
    if found is None:
        return None
    channel, start = found
    sign = 1.0 if samples[channel, start] >= 0 else -1.0
    if piece.bits is not None and piece.bits <= 24:
        samples[channel, start : start + length] = sign * 1.5
    else:
        samples[channel, start : start + length] = sign
    return samples, Fault("clipping", "clip run", str(length), channel, start, start + length)


def hole(piece: Piece, generator: np.random.Generator) -> tuple[Planar, Fault] | None:
    """Digital zero of 64 to 4,800 samples inside sound whose level stays within 12 dB.

    Never with both edges at a crossing of zero: so does an edit look, and nothing tells them apart.
    """
    length = round(2 ** float(generator.uniform(6, np.log2(4_800))))
    for _ in range(60):
        found = place_in_sound(piece.samples, length, 32, generator)
        if found is None:
            return None
        channel, start = found
        line = piece.samples[channel]
        left, right = line[max(0, start - 480) : start], line[start + length :][:480]
        levels = [float(np.sqrt(np.mean(side**2))) for side in (left, right)]
        cut = line[[start - 1, start, start + length - 1, start + length]]
        ends = (line[start - 2 : start + 2], line[start + length - 2 : start + length + 2])
        is_edit = all(side.min() < 0 < side.max() for side in ends)
        is_alike = max(levels) < 3.9 * min(levels)
        if is_alike and not is_edit and (np.abs(cut) > 2.0**-20).all():
            samples = piece.samples.copy()
            samples[channel, start : start + length] = 0.0
            band = "64-255" if length < 256 else "256-1023" if length < 1024 else "1024-4800"
            return samples, Fault("dropout", "hole", band, channel, start, start + length)
    return None


def repeat(piece: Piece, generator: np.random.Generator) -> tuple[Planar, Fault] | None:
    """A buffer of 64 to 4,096 samples played twice, the next one lost."""
    length = int(2 ** generator.integers(6, 13))
    found = place_in_sound(piece.samples, length, max(length, 64), generator)
    if found is None:
        return None
    channel, start = found
    samples = piece.samples.copy()
    samples[:, start : start + length] = samples[:, start - length : start]
    return samples, Fault("dropout", "repeat", str(length), channel, start, start + length)


def click(piece: Piece, generator: np.random.Generator) -> tuple[Planar, Fault] | None:
    """1 to 64 samples of one of three shapes, added away from zero.

    Its highest sample has the level against the peak of the 50 ms around, click excluded.
    """
    is_short = generator.random() < 0.5
    length = int(generator.integers(1, 9) if is_short else generator.integers(9, 65))
    level_db = int(generator.choice(CLICK_LEVELS_DB))
    around = round(0.025 * piece.rate_hz)
    found = place_in_sound(piece.samples, length, around, generator)
    if found is None:
        return None
    channel, start = found
    line = piece.samples[channel]
    peak = max(
        np.abs(line[start - around : start]).max(),
        np.abs(line[start + length : start + length + around]).max(),
    )
    shape = _click_shape(length, generator)
    height = 10 ** (level_db / 20) * peak
    top = int(np.argmax(np.abs(shape)))
    away = np.sign(shape[top]) * (1 if line[start + top] >= 0 else -1)
    made = line[start : start + length] + away * height * shape
    scale = min(1.0, 0.9 / float(np.abs(made).max()))
    samples = piece.samples.copy()
    samples[channel, start : start + length] = made
    group = "click 1-8" if length <= 8 else "click 9-64"
    return samples * scale, Fault("click", group, f"{level_db:+d}", channel, start, start + length)


def _click_shape(length: int, generator: np.random.Generator) -> Planar:
    """Peak 1: a stuck value, garbage or a decay."""
    kind = int(generator.integers(3))
    if kind == 0:
        shape = np.ones(length)
    elif kind == 1:
        shape = generator.uniform(-1, 1, length)
    else:
        shape = np.exp(-4 * np.arange(length) / length)
    sign = 1 if generator.random() < 0.5 else -1
    return np.asarray(sign * shape / np.abs(shape).max())


def dc(piece: Piece, generator: np.random.Generator) -> tuple[Planar, Fault] | None:
    """An offset of -50 dBFS and more in a file of 5 s and longer."""
    if piece.samples.shape[1] < 5 * piece.rate_hz:
        return None
    level_db = float(generator.choice([-56, -50, -45, -40, -30]))
    channel = int(generator.integers(len(piece.samples)))
    samples = 0.9 * piece.samples
    samples[channel] += 10 ** (level_db / 20) * (1 if generator.random() < 0.5 else -1)
    fault = Fault("dc-offset", "dc", f"{level_db:+.0f}", channel, 0, samples.shape[1])
    return samples, fault


def cut(piece: Piece, generator: np.random.Generator) -> tuple[Planar, Fault] | None:
    """Cut at the end or the beginning, in sound near the level of the file."""
    frames, rate_hz = piece.samples.shape[1], piece.rate_hz
    if frames < 4 * rate_hz or piece.role != "stem":
        return None  # tracks get a note at most
    level = float(np.sqrt(np.mean(piece.samples**2)))
    for _ in range(100):
        at = int(generator.integers(rate_hz, frames - rate_hz))
        is_end = generator.random() < 0.5
        near = piece.samples[:, at - 240 : at] if is_end else piece.samples[:, at : at + 240]
        if float(np.sqrt(np.mean(near**2))) >= level:
            kept = piece.samples[:, :at] if is_end else piece.samples[:, at:]
            if kept.shape[1] < 1.5 * rate_hz:
                continue
            place = kept.shape[1] if is_end else 0
            return kept.copy(), Fault(
                "cut-off", "cut", "end" if is_end else "start", 0, place, place
            )
    return None


def hum(piece: Piece, generator: np.random.Generator) -> tuple[Planar, Fault] | None:
    """Mains and three multiples under everything; told as information, where there are pauses."""
    level_db = int(generator.choice([-80, -70, -60, -50]))
    mains_hz = float(generator.choice([50, 60])) + float(generator.uniform(-0.1, 0.1))
    if not _has_pauses(piece, level_db, 0.5):
        return None
    time = np.arange(piece.samples.shape[1]) / piece.rate_hz
    wave = sum(
        float(generator.uniform(0.2, 1)) * np.sin(2 * np.pi * mains_hz * number * time + number)
        for number in (1, 2, 3, 5)
    )
    samples = piece.samples + wave * (10 ** (level_db / 20) / np.sqrt(np.mean(wave**2)))
    return samples, Fault("hum", "hum", f"{level_db:+d}", 0, 0, time.size)


def hiss(piece: Piece, generator: np.random.Generator) -> tuple[Planar, Fault] | None:
    """White noise under everything; told as information, where there are pauses."""
    level_db = int(generator.choice([-66, -57, -50, -45]))
    if not _has_pauses(piece, level_db, 0.1):
        return None
    noise = generator.normal(0, 10 ** (level_db / 20), piece.samples.shape)
    fault = Fault("noise-floor", "noise", f"{level_db:+d}", 0, 0, noise.shape[1])
    return piece.samples + noise, fault


def _has_pauses(piece: Piece, level_db: float, window_s: float) -> bool:
    """A fifth of the time is 10 dB quieter than the level, a twentieth 23 dB louder."""
    width = round(window_s * piece.rate_hz)
    count = piece.samples.shape[1] // width
    if count * window_s < LEAST_S:
        return False
    windows = piece.samples[:, : count * width].reshape(len(piece.samples), count, width)
    levels = 10 * np.log10(np.square(windows).mean(axis=2) + 1e-15)
    quiet, loud = np.percentile(levels, (20, 95), axis=1)
    return bool((quiet < level_db - 10).all() and (loud > level_db + 23).all())


KINDS = {
    "clip": clip,
    "hole": hole,
    "repeat": repeat,
    "click": click,
    "dc": dc,
    "cut": cut,
    "hum": hum,
    "noise": hiss,
}
