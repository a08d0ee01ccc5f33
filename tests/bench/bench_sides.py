"""Left and right of one pair: inverted ones found, right ones left alone.

Run: ``python -m tests.bench.bench_sides [--half tuning|held-out] [--pairs N]``. Two microphones
0.1 to 2.5 m apart hear five to nine sources around them, each at its own distance and level, the
first reflections of a room, and each its own noise. Odd seeds are the held-out half.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stemprep.app.check.inspect import inspect
from stemprep.engine import InlineEngine
from tests import signals

RATE_HZ = 44_100
SECONDS = 8
SPEED_M_S = 343.2
NAMES = ("OH", "Room", "Piano", "Choir", "Strings")
Sound = npt.NDArray[np.float64]


def pair(seed: int) -> tuple[Sound, Sound]:
    """Both sides, right as they are."""
    rng = np.random.default_rng(seed)
    frames = SECONDS * RATE_HZ
    size = 1 << (2 * frames - 1).bit_length()
    turns = np.fft.rfftfreq(size)
    gap_m = float(np.exp(rng.uniform(np.log(0.1), np.log(2.5))))
    sides = np.zeros((2, len(turns)), dtype=np.complex128)
    for _ in range(int(rng.integers(5, 10))):
        spectrum = np.fft.rfft(_source(rng, frames), size)
        place = rng.uniform([-3.0, 0.4], [3.0, 4.0])
        for reflection in range(int(rng.integers(1, 6))):
            image = place + (rng.uniform(-6, 6, 2) if reflection else 0.0)
            strength = 1.0 if not reflection else rng.uniform(0.1, 0.5)
            for side, x in enumerate((-gap_m / 2, gap_m / 2)):
                way_m = float(np.hypot(image[0] - x, image[1]))
                late = way_m / SPEED_M_S * RATE_HZ
                turn = np.exp(-2j * np.pi * turns * late)
                sides[side] += strength / max(way_m, 0.3) * spectrum * turn
    heard = np.fft.irfft(sides, size)[:, :frames]
    heard *= 0.5 / np.abs(heard).max()
    heard += rng.normal(0, 1e-4, heard.shape)
    return heard[0], heard[1]


def _source(rng: np.random.Generator, frames: int) -> Sound:
    """Notes of one instrument from 50 to 400 Hz with their partials, or hits of a drum."""
    sound = np.zeros(frames)
    time_s = np.arange(RATE_HZ) / RATE_HZ
    is_drum = rng.random() < 0.4
    for onset in rng.integers(0, frames - RATE_HZ, int(rng.integers(6, 16))):
        pitch_hz = float(np.exp(rng.uniform(np.log(50), np.log(400))))
        ring_s = rng.uniform(0.05, 0.2) if is_drum else rng.uniform(0.2, 0.6)
        tone = sum(
            np.sin(2 * np.pi * pitch_hz * n * time_s + rng.uniform(0, 6)) / n for n in range(1, 9)
        )
        noise = rng.normal(size=len(time_s)) * np.exp(-time_s / 0.02)
        hit = tone * np.exp(-time_s / ring_s) + (2.0 if is_drum else 0.1) * noise
        sound[onset : onset + RATE_HZ] += rng.uniform(0.2, 1.0) * hit
    return sound


def is_found(left: Sound, right: Sound, name: str) -> bool:
    """Whether a check of both files warns of an inverted side."""
    with tempfile.TemporaryDirectory() as place:
        for side, sound in (("L", left), ("R", right)):
            signals.write_wav(
                Path(place) / "Drop" / f"{name} {side}.wav", sound[None], rate_hz=RATE_HZ
            )
        report = inspect(Path(place) / "Drop", "mastering", engine=InlineEngine())
    return any(f.check == "mic-polarity" and f.severity == "warn" for f in report.findings)


def main() -> None:
    """Print how many inverted and how many right pairs were told."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--half", choices=("tuning", "held-out"), default="held-out")
    parser.add_argument("--pairs", type=int, default=200)
    wanted = parser.parse_args(sys.argv[1:])
    first = 3_000 + (wanted.half == "held-out")
    counts: Counter[str] = Counter()
    for seed in range(first, first + 2 * wanted.pairs, 2):
        left, right = pair(seed)
        name = NAMES[seed // 2 % len(NAMES)]
        is_false, is_true = is_found(left, right, name), is_found(left, -right, name)
        counts["right pairs told"] += is_false
        counts["inverted pairs told"] += is_true
        if is_false or not is_true:
            print(f"  seed {seed} ({name}): right told {is_false}, inverted told {is_true}")
    print(f"of {wanted.pairs} pairs each: {dict(counts)}")


if __name__ == "__main__":
    main()
