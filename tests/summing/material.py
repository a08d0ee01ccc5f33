"""Seeded stems and mixes with one known fault: generated music, or tracks of field sessions."""

from __future__ import annotations

import functools
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from stemprep.summing import SumSet, set_of_arrays

Planar = npt.NDArray[np.float64]
SESSIONS = Path(__file__).parents[3] / "shared" / "sessions"
RATES_HZ = (44_100, 48_000, 88_200, 96_000)

SINGLE = (
    "level", "moved", "subsample", "inverted", "not-in-mix", "swapped", "balance", "section",
    "cut-short", "level-20", "level-40", "moved-quiet",
)  # fmt: skip
NOBODY = ("clean", "bus-gain", "compressor", "limiter", "equaliser", "re-rendered", "lossy")


@dataclass(frozen=True)
class Planted:
    """One fault that was put in; the figures by which it has to be told."""

    kind: str
    stem: int
    gain_db: float = 0.0
    lag: float = 0.0
    span: tuple[int, int] | None = None
    channel_gains: tuple[float, ...] = ()


@dataclass
class Case:
    """A set with what is wrong in it; ``delivered`` and ``mix`` are quantised."""

    rate_hz: int
    bits: int
    delivered: list[Planar]
    mix: Planar
    planted: list[Planted] = field(default_factory=list)
    what: str = "clean"

    @property
    def parts(self) -> SumSet:
        """As the test takes it; float32 where that is exact."""
        step = 0.0 if self.bits == 32 else 2.0 ** (1 - self.bits)
        return set_of_arrays(
            self.mix.astype(np.float32),
            [stem.astype(np.float32) for stem in self.delivered],
            self.rate_hz,
            step,
            [f"stem{index}" for index in range(len(self.delivered))],
        )


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
    generator: np.random.Generator, seconds: float, most: int = 24
) -> tuple[int, list[Planar]]:
    """Rate and 4 to 24 stems before quantising: generated, three in ten of a field session."""
    if generator.random() < 0.3:
        name = ("S03a_mix_stems_null", "S01_tracking_clean")[generator.integers(2)]
        rate_hz, stems = field_stems(name)
        if stems:
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


def quantised(
    samples: Planar, bits: int, generator: np.random.Generator, *, dithered: bool
) -> Planar:
    """Rounded to the word length, with TPDF dither where ordered; 32: to float32."""
    if bits == 32:
        return samples.astype(np.float32).astype(np.float64)
    step = 2.0 ** (1 - bits)
    noise = generator.random(samples.shape) - generator.random(samples.shape) if dithered else 0.0
    return np.clip(np.rint(samples / step + noise) * step, -1.0, 1.0 - step)


def total(stems: Sequence[Planar]) -> Planar:
    """Sum in stereo; mono stems go equally to both sides."""
    return np.asarray(np.sum([np.broadcast_to(stem, (2, stem.shape[1])) for stem in stems], axis=0))


def shifted(samples: Planar, lag: float) -> Planar:
    """``samples(t - lag)``: late by lag; what leaves the file is lost. Kaiser sinc if broken."""
    whole = int(np.floor(lag + 0.5))
    rest = lag - whole
    out = np.zeros_like(samples)
    if whole >= 0:
        out[:, whole:] = samples[:, : samples.shape[1] - whole]
    else:
        out[:, :whole] = samples[:, -whole:]
    if rest:
        taps = np.arange(-256, 257)
        kernel = np.sinc(taps - rest) * np.kaiser(513, 12)
        out = np.stack([np.convolve(channel, kernel, mode="same") for channel in out])
    return out


def case(seed: int, what: str, seconds: float = 5.0, most: int = 24) -> Case:
    """A set with the fault ``what``: one of SINGLE or NOBODY, ``missing``, or two joined by +."""
    generator = np.random.default_rng([seed, sum(map(ord, what))])
    rate_hz, stems = source(generator, seconds, most)
    bits = int(generator.choice((16, 24, 32), p=(0.2, 0.55, 0.25)))
    peak = np.abs(total(stems)).max()
    stems = [stem * (0.5 / max(peak, 1e-9)) for stem in stems]
    dithered = bool(generator.random() < 0.5)
    delivered, in_mix = list(stems), list(stems)
    planted: list[Planted] = []
    missing: list[int] = []
    for kind in () if what in NOBODY else what.split("+"):
        _plant(generator, kind, delivered, in_mix, planted, missing, rate_hz, bits)
    mix = total(in_mix)
    if what in NOBODY:
        mix = _bus(generator, what, mix, in_mix, rate_hz)
    delivered = [stem for index, stem in enumerate(delivered) if index not in missing]
    planted = [_without(each, missing) for each in planted]
    return Case(
        rate_hz=rate_hz,
        bits=bits,
        delivered=[quantised(stem, bits, generator, dithered=dithered) for stem in delivered],
        mix=quantised(mix, bits, generator, dithered=dithered),
        planted=planted,
        what=what,
    )


def _without(each: Planted, missing: Sequence[int]) -> Planted:
    lower = sum(index < each.stem for index in missing)
    return Planted(
        each.kind, each.stem - lower, each.gain_db, each.lag, each.span, each.channel_gains
    )


def _sounding(stem: Planar, rate_hz: int) -> Planar:
    """Level of each 0.1 s."""
    size = rate_hz // 10
    count = stem.shape[1] // size
    pieces = stem[:, : count * size].reshape(len(stem), count, size)
    return np.asarray(np.sqrt(np.square(pieces).mean(axis=(0, 2))))


def _choose(
    generator: np.random.Generator,
    stems: Sequence[Planar],
    taken: Sequence[int],
    rate_hz: int,
    *,
    wants_stereo: bool = False,
) -> int:
    """A stem that is heard, not yet taken, with two unlike sides where that matters."""
    loud = [float(_sounding(stem, rate_hz).max()) for stem in stems]
    fitting = [
        index
        for index, stem in enumerate(stems)
        if index not in taken
        and loud[index] > 10 ** (-50 / 20)
        and (not wants_stereo or _is_wide(stem))
    ]
    return int(generator.choice(fitting)) if fitting else int(np.argmax(loud))


def _is_wide(stem: Planar) -> bool:
    if len(stem) < 2:
        return False
    side = np.sqrt(np.square(stem[0] - stem[1]).mean())
    return bool(side > 0.1 * np.sqrt(np.square(stem).mean()))


def _plant(
    generator: np.random.Generator,
    kind: str,
    delivered: list[Planar],
    in_mix: list[Planar],
    planted: list[Planted],
    missing: list[int],
    rate_hz: int,
    bits: int,
) -> None:
    taken = [*(each.stem for each in planted), *missing]
    wide = kind in ("swapped", "balance")
    stem = _choose(generator, in_mix, taken, rate_hz, wants_stereo=wide)
    if stem in taken or (wide and not _is_wide(in_mix[stem])):
        kind, stem = "level", _choose(generator, in_mix, taken, rate_hz)
    sound = in_mix[stem]
    if kind == "missing":
        missing.append(stem)
        return
    if kind == "level":
        gain_db = float(
            generator.choice((-1, 1)) * np.exp(generator.uniform(np.log(0.05), np.log(6)))
        )
        delivered[stem] = sound * 10 ** (gain_db / 20)
        planted.append(Planted("level", stem, gain_db=gain_db))
    elif kind in ("level-20", "level-40"):
        gain_db = _near_floor(float(kind[-2:]), sound, len(in_mix), bits)
        delivered[stem] = sound * 10 ** (gain_db / 20)
        planted.append(Planted("level", stem, gain_db=gain_db))
    elif kind in ("moved", "subsample", "moved-quiet"):
        _plant_move(generator, kind, stem, delivered, in_mix, planted)
    elif kind == "inverted":
        delivered[stem] = -sound
        planted.append(Planted("inverted", stem))
    elif kind == "not-in-mix":
        in_mix[stem] = np.zeros_like(sound)
        planted.append(Planted("not-in-mix", stem))
    elif kind == "swapped":
        delivered[stem] = sound[::-1].copy()
        planted.append(Planted("pan", stem))
    elif kind == "balance":
        gains = 10 ** (generator.uniform(-6, 3, 2) / 20)
        delivered[stem] = sound * gains[:, None]
        planted.append(Planted("pan", stem, channel_gains=tuple(1 / gains)))
    else:
        _plant_in_time(generator, kind, stem, delivered, planted, rate_hz)


def _near_floor(over_db: float, sound: Planar, count: int, bits: int) -> float:
    """A gain whose residual lies so many dB over theory."""
    step = 2.0 ** (1 - (24 if bits == 32 else bits))
    floor = step / 2 * np.sqrt(count + 1)
    rms = np.sqrt(np.square(sound).mean())
    return float(20 * np.log10(1 + floor * 10 ** (over_db / 20) / rms))


def _plant_move(
    generator: np.random.Generator,
    kind: str,
    stem: int,
    delivered: list[Planar],
    in_mix: list[Planar],
    planted: list[Planted],
) -> None:
    sign = float(generator.choice((-1, 1)))
    if kind == "subsample":
        lag = sign * float(np.round(np.exp(generator.uniform(np.log(0.05), np.log(40))), 3))
        lag += 0.0 if lag != round(lag) else 0.4
    else:
        lag = sign * float(round(np.exp(generator.uniform(0, np.log(5000)))))
    if kind == "moved-quiet":
        in_mix[stem] = in_mix[stem] * 0.01
    delivered[stem] = shifted(in_mix[stem], lag)
    planted.append(Planted("moved", stem, lag=lag))


def _plant_in_time(
    generator: np.random.Generator,
    kind: str,
    stem: int,
    delivered: list[Planar],
    planted: list[Planted],
    rate_hz: int,
) -> None:
    sound = delivered[stem]
    high = np.flatnonzero(np.abs(sound).max(axis=0) > _HEARD)
    frames, second = sound.shape[1], rate_hz
    if kind == "cut-short":
        at = _near(generator, high, second, frames - second // 2)
        delivered[stem] = sound.copy()
        delivered[stem][:, at:] = 0.0
        planted.append(Planted("cut-short", stem, span=(at, frames)))
        return
    first = _near(generator, high, second // 4, frames // 2)
    last = _near(generator, high, first + second // 2, frames - second // 4)
    gain_db = float(generator.choice((-1, 1)) * generator.uniform(0.5, 6))
    delivered[stem] = sound.copy()
    delivered[stem][:, first:last] *= 10 ** (gain_db / 20)
    planted.append(Planted("section", stem, gain_db=gain_db, span=(first, last)))


_HEARD = 10 ** (-60 / 20)


def _near(generator: np.random.Generator, high: npt.NDArray[np.intp], low: int, end: int) -> int:
    """A sample between two others at which the stem is heard; the middle where it never is."""
    inside = high[(high >= low) & (high < end)]
    return int(generator.choice(inside)) if len(inside) else (low + end) // 2


def _bus(
    generator: np.random.Generator, what: str, mix: Planar, stems: Sequence[Planar], rate_hz: int
) -> Planar:
    """What a mix bus, another rendering or a codec does to a mix."""
    if what == "bus-gain":
        return mix * 10 ** (generator.uniform(-6, 3) / 20)
    if what in ("compressor", "limiter"):
        return _compressed(mix, rate_hz, is_limiter=what == "limiter")
    if what == "equaliser":
        return _equalised(generator, mix, rate_hz)
    if what == "re-rendered":
        return total([_rendered_anew(generator, stem, rate_hz) for stem in stems])
    if what == "lossy":
        return _through_codec(mix, rate_hz)
    return mix


def _compressed(mix: Planar, rate_hz: int, *, is_limiter: bool) -> Planar:
    level = np.abs(mix).max(axis=0)
    release = np.exp(-1 / (0.15 * rate_hz))
    size = 32
    held = np.empty(-(-len(level) // size))
    state = 0.0
    for index in range(len(held)):
        state = max(float(level[index * size : (index + 1) * size].max()), state * release**size)
        held[index] = state
    envelope = np.interp(np.arange(len(level)), np.arange(len(held)) * size, held)
    threshold, ratio = (0.25, 1e9) if is_limiter else (0.1, 3.0)
    over = np.maximum(envelope / threshold, 1.0)
    gain = over ** (1 / ratio - 1)
    return mix * gain


def _equalised(generator: np.random.Generator, mix: Planar, rate_hz: int) -> Planar:
    spectrum = np.fft.rfft(mix)
    frequency = np.fft.rfftfreq(mix.shape[1], 1 / rate_hz)
    centre, gain_db = generator.uniform(100, 6000), generator.choice((-3.0, -1.5, 1.5, 3.0))
    octaves = np.log2(np.maximum(frequency, 1) / centre)
    shelf = 1 / (1 + np.exp(-4 * octaves))
    return np.fft.irfft(spectrum * 10 ** (gain_db * shelf / 20), mix.shape[1])


def _rendered_anew(generator: np.random.Generator, stem: Planar, rate_hz: int) -> Planar:
    """The same part by an instrument that never repeats itself: delay and level drift."""
    time = np.arange(stem.shape[1])
    wobble = 8 * np.sin(
        2 * np.pi * generator.uniform(0.1, 0.9) * time / rate_hz + generator.uniform(0, 6)
    )
    level = 1 + 0.05 * np.sin(2 * np.pi * generator.uniform(0.2, 2) * time / rate_hz)
    return np.stack([np.interp(time + wobble, time, channel) for channel in stem]) * level


def _through_codec(mix: Planar, rate_hz: int) -> Planar:
    stream = io.BytesIO()
    soundfile.write(stream, mix.T, rate_hz, format="OGG", subtype="VORBIS")
    stream.seek(0)
    decoded = soundfile.read(stream, dtype="float64", always_2d=True)[0].T
    out = np.zeros_like(mix)
    count = min(out.shape[1], decoded.shape[1])
    out[:, :count] = decoded[:, :count]
    return out
