"""Synthesised instruments: each function returns one note or hit, mono float64, peak near 1."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Mono = npt.NDArray[np.float64]

_FORMANTS_HZ = ((520.0, 90.0, 1.0), (1190.0, 110.0, 0.5), (2390.0, 170.0, 0.25))


def _time(seconds: float, rate_hz: int) -> Mono:
    return np.arange(round(seconds * rate_hz)) / rate_hz


def _attack(time: Mono, seconds: float) -> Mono:
    """A smooth rise, so that no note begins with a step."""
    rise = np.clip(time / seconds, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * rise))


def _normalised(sound: Mono) -> Mono:
    return np.asarray(sound / np.abs(sound).max())


def kick(rate_hz: int) -> Mono:
    """A head that falls from 130 to 48 Hz, with a short beater noise."""
    time = _time(0.45, rate_hz)
    phase = 2 * np.pi * (48.0 * time + 82.0 / 38.0 * (1.0 - np.exp(-38.0 * time)))
    beater = np.random.default_rng(11).normal(size=time.size) * np.exp(-time / 0.004)
    head = np.sin(phase) * np.exp(-time / 0.13) * _attack(time, 0.002)
    return _normalised(head + 0.12 * beater * _attack(time, 0.0005))


def snare(rate_hz: int, seed: int) -> Mono:
    """Two shell tones and the rattle of the wires; every hit has its own noise."""
    time = _time(0.35, rate_hz)
    shell = np.sin(2 * np.pi * 187 * time) + 0.6 * np.sin(2 * np.pi * 329 * time)
    wires = np.random.default_rng(seed).normal(size=time.size)
    sound = shell * np.exp(-time / 0.06) + 0.55 * wires * np.exp(-time / 0.09)
    return _normalised(sound * _attack(time, 0.001))


def hat(rate_hz: int, seed: int) -> Mono:
    """Noise with its lows taken away by two differences."""
    time = _time(0.12, rate_hz)
    hiss = np.diff(np.random.default_rng(seed).normal(size=time.size + 2), n=2)
    return _normalised(hiss * np.exp(-time / 0.025) * _attack(time, 0.0005))


def string(frequency_hz: float, seconds: float, rate_hz: int, *, brightness: float) -> Mono:
    """A plucked string: stiff partials, the high ones die first. brightness 0..1."""
    time = _time(seconds, rate_hz)
    highest = int(min(40, 0.45 * rate_hz / frequency_hz))
    sound = np.zeros_like(time)
    for partial in range(1, highest + 1):
        pitch_hz = frequency_hz * partial * np.sqrt(1 + 2e-4 * partial**2)
        if pitch_hz < 0.45 * rate_hz:
            weight = np.sin(np.pi * partial * 0.21) / partial ** (2.0 - brightness)
            decay_s = 1.3 / (1 + 0.35 * partial)
            sound += weight * np.sin(2 * np.pi * pitch_hz * time) * np.exp(-time / decay_s)
    release = np.clip((seconds - time) / 0.03, 0, 1)
    return _normalised(sound * _attack(time, 0.003) * release)


def voice(frequency_hz: float, seconds: float, rate_hz: int) -> Mono:
    """A hummed vowel: harmonics under three formants, with a little vibrato."""
    time = _time(seconds, rate_hz)
    vibrato = 0.006 * np.sin(2 * np.pi * 5.3 * time) * np.clip(time / 0.4, 0, 1)
    phase = 2 * np.pi * np.cumsum(frequency_hz * (1 + vibrato)) / rate_hz
    sound = np.zeros_like(time)
    for harmonic in range(1, int(min(30, 0.4 * rate_hz / frequency_hz)) + 1):
        pitch_hz = frequency_hz * harmonic
        weight = sum(
            level / (1 + ((pitch_hz - centre) / width) ** 2)
            for centre, width, level in _FORMANTS_HZ
        )
        sound += (0.04 / harmonic + weight) * np.sin(harmonic * phase)
    release = np.clip((seconds - time) / 0.08, 0, 1)
    return _normalised(sound * _attack(time, 0.05) * release)


def tick(rate_hz: int, *, is_accented: bool) -> Mono:
    """A short metronome tone, higher on the first beat of a bar."""
    time = _time(0.03, rate_hz)
    tone = np.sin(2 * np.pi * (1760.0 if is_accented else 1320.0) * time)
    return np.asarray(tone * np.exp(-time / 0.008) * _attack(time, 0.0005))
