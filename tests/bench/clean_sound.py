"""Clean sound for the injection benchmark: generated, recorded where sessions are at hand, varied.

Every piece has a name and is made anew from it, so that a false alarm can be looked at again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from stemprep.demo import instruments, song
from stemprep.demo.session import demo_files
from stemprep.model.words import Role
from tests import signals
from tests.signals import Planar

SESSIONS = Path(__file__).parents[3] / "shared" / "sessions"
FAULTY = ("clipped", "overs")  # recorded with faults of their own: not clean
Change = Callable[[Planar, int, np.random.Generator], Planar]


@dataclass(frozen=True)
class Piece:
    """Clean sound; samples are planar float64 within full scale."""

    name: str
    samples: Planar
    rate_hz: int
    bits: int | None = 24
    role: Role = "stem"
    is_unaltered: bool = False

    @property
    def hours(self) -> float:
        """Length of the file."""
        return self.samples.shape[1] / self.rate_hz / 3600


def originals() -> Iterator[Piece]:
    """Generated songs and shapes, and the recorded sessions as they are."""
    yield from _recorded()
    for file in demo_files():
        if "Tom" not in file.path:  # clipped by its story
            samples = np.clip(file.samples, -1, 1 - 2.0**-23)
            yield Piece(f"demo/{file.path}", samples, file.rate_hz, file.bit_depth, "track")
    for rate_hz in (44_100, 48_000, 96_000):
        yield from _songs(rate_hz)
    yield from _shapes()


def variants(seed: int) -> Iterator[Piece]:
    """Each original in one seeded variant more: another level, drive, filter, gate or rate."""
    for index, piece in enumerate(originals()):
        generator = np.random.default_rng([seed, index])
        name = list(CHANGES)[int(generator.integers(len(CHANGES)))]
        changed = CHANGES[name](piece.samples, piece.rate_hz, generator)
        changed = _faded(_with_floor(changed, generator), piece.rate_hz)
        peak = max(float(np.abs(changed).max()), 1e-9)
        level = 10 ** (float(generator.uniform(-18, -1)) / 20)
        name = f"{piece.name} [{name}, seed {seed}]"
        yield Piece(name, changed * (level / peak), piece.rate_hz, role=piece.role)


def _faded(samples: Planar, rate_hz: int) -> Planar:
    """With 10 ms of fade at both ends: some originals begin or end in the middle of their sound."""
    ramp = np.minimum(1, np.arange(samples.shape[1]) / (0.01 * rate_hz))
    return samples * ramp * ramp[::-1]


def _recorded() -> Iterator[Piece]:
    paths = sorted(SESSIONS.glob("S*/**/*.wav")) if SESSIONS.is_dir() else []
    for path in paths:
        if "unpacked" in path.parts or any(word in path.name for word in FAULTY):
            continue
        info = soundfile.info(path)
        samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
        bits = {"PCM_16": 16, "PCM_24": 24}.get(info.subtype)
        name = str(path.relative_to(SESSIONS))
        role: Role = "stem" if "Song_" in name else "track"
        yield Piece(name, np.ascontiguousarray(samples.T), rate_hz, bits, role, is_unaltered=True)


def _songs(rate_hz: int) -> Iterator[Piece]:
    sources = {
        "kick": song.kick_source,
        "snare": song.snare_source,
        "hat": song.hat_source,
        "bass": song.bass_source,
        "voice": song.voice_source,
        "piano": lambda rate: song.chord_source(rate, is_piano=True),
        "guitar": lambda rate: song.chord_source(rate, is_piano=False),
    }
    made = {name: np.atleast_2d(source(rate_hz)) for name, source in sources.items()}
    for name, samples in made.items():
        yield Piece(f"song/{name} {rate_hz}", 0.5 * samples, rate_hz)
    mix = sum(made.values())
    yield Piece(f"song/mix {rate_hz}", mix * (0.5 / np.abs(mix).max()), rate_hz)
    shots = {
        "kick": instruments.kick(rate_hz),
        "snare": instruments.snare(rate_hz, 5),
        "hat": instruments.hat(rate_hz, 6),
    }
    for name, shot in shots.items():
        yield Piece(f"one-shot/{name} {rate_hz}", 0.8 * np.atleast_2d(shot), rate_hz)


def _shapes() -> Iterator[Piece]:
    """What looks like a fault and is none."""
    rate_hz, seconds = 48_000, 10.0
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    within = time % 0.5
    decay = np.exp(-2 * within) * np.clip(np.minimum(within / 0.002, (0.5 - within) / 0.01), 0, 1)
    shapes = {
        "square": 0.4 * np.sign(np.sin(2 * np.pi * 55 * time + 0.1)),
        "saw": 0.4 * (2 * ((41.3 * time) % 1) - 1),
        "saw notes": 0.5 * (2 * ((110.7 * time) % 1) - 1) * decay,
        "pulse of three levels": 0.4 * np.round(np.sin(2 * np.pi * 65.4 * time)),
        "distorted": 0.7 * np.tanh(12 * np.sin(2 * np.pi * 82.4 * time) * decay),
        "sine": 0.5 * np.sin(2 * np.pi * 440 * time),
    }
    for name, shape in shapes.items():
        yield Piece(f"shape/{name}", _faded(np.atleast_2d(shape), rate_hz), rate_hz)
    pluck = signals.pluck(peak_dbfs=-6, seconds=0.5)
    yield Piece("shape/exact loop", _faded(np.tile(pluck, (1, 20)), rate_hz), rate_hz)
    hat = np.pad(instruments.hat(rate_hz, 3), (0, 240))
    yield Piece("shape/drum machine roll", 0.5 * np.tile(hat, (1, 40)), rate_hz)
    hiss = signals.noise(peak_dbfs=-20, seconds=seconds)
    yield Piece("shape/hiss", _faded(hiss, rate_hz), rate_hz)
    tom = np.atleast_2d(song.kick_source(rate_hz))
    follow = np.convolve(np.abs(tom[0]), np.ones(960) / 960, mode="same")
    yield Piece("shape/hard gate", 0.5 * tom * (follow > 0.02), rate_hz)


def _with_floor(samples: Planar, generator: np.random.Generator) -> Planar:
    """Half of the variants hiss a little, as anything recorded does."""
    if generator.random() < 0.5:
        return samples
    level = 10 ** (float(generator.uniform(-96, -66)) / 20) * float(np.abs(samples).max())
    return samples + level * generator.normal(size=samples.shape)


def _saturated(samples: Planar, rate_hz: int, generator: np.random.Generator) -> Planar:
    drive = 10 ** (float(generator.uniform(0, 20)) / 20) / max(float(np.abs(samples).max()), 1e-9)
    return _high_passed(np.tanh(drive * samples), rate_hz, 8)  # a capacitor follows the valve


def _filtered(samples: Planar, rate_hz: int, generator: np.random.Generator) -> Planar:
    """A gentle low-pass or high-pass in the frequency domain."""
    is_low_pass = generator.random() < 0.5
    corner_hz = float(
        10 ** (generator.uniform(3, 4.2) if is_low_pass else generator.uniform(1.3, 3))
    )
    frequencies = np.fft.rfftfreq(samples.shape[1], 1 / rate_hz)
    power = 1 / (1 + (frequencies / corner_hz) ** 4)
    response = np.sqrt(power if is_low_pass else 1 - power)
    return np.fft.irfft(np.fft.rfft(samples, axis=1) * response, samples.shape[1], axis=1)


def _high_passed(samples: Planar, rate_hz: int, corner_hz: float) -> Planar:
    frequencies = np.fft.rfftfreq(samples.shape[1], 1 / rate_hz)
    response = np.sqrt(1 - 1 / (1 + (frequencies / corner_hz) ** 4))
    return np.fft.irfft(np.fft.rfft(samples, axis=1) * response, samples.shape[1], axis=1)


def _gated(samples: Planar, rate_hz: int, generator: np.random.Generator) -> Planar:
    """A gate that lowers by 12 to 20 dB, with ramps of 2 ms."""
    size = np.abs(samples).max(axis=0)
    width = round(0.03 * rate_hz)
    follow = np.convolve(size, np.ones(width) / width, mode="same")
    is_open = follow > float(generator.uniform(0.05, 0.3)) * float(follow.max())
    floor = 10 ** (-float(generator.uniform(12, 20)) / 20)
    ramp = round(0.002 * rate_hz)
    return samples * np.convolve(np.where(is_open, 1, floor), np.ones(ramp) / ramp, mode="same")


def _at_another_rate(samples: Planar, rate_hz: int, generator: np.random.Generator) -> Planar:
    """Faster or slower by up to a fifth, band-limited: as if recorded at another rate."""
    frames = samples.shape[1]
    wanted = round(frames * float(generator.uniform(0.8, 1.25)))
    spectrum = np.fft.rfft(samples, axis=1)
    made = np.zeros((len(samples), wanted // 2 + 1), dtype=complex)
    kept = min(spectrum.shape[1], made.shape[1])
    made[:, :kept] = spectrum[:, :kept]
    return np.fft.irfft(made, wanted, axis=1) * (wanted / frames)


def _mixed(samples: Planar, rate_hz: int, generator: np.random.Generator) -> Planar:
    """Two of it, one late and turned over: spill, and a copy that is not exact."""
    late = np.roll(samples, int(generator.integers(50, 2_000)), axis=1)
    late[:, :2_000] = 0
    return samples - float(generator.uniform(0.1, 0.8)) * late


CHANGES: dict[str, Change] = {
    "saturated": _saturated,
    "filtered": _filtered,
    "gated": _gated,
    "another rate": _at_another_rate,
    "mixed": _mixed,
}
