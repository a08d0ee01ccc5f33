"""Noise and hum between the notes, and sounds that only look like them."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.model.facts import PauseFacts
from tests import signals
from tests.measure.feed import measure
from tests.signals import Planar

SECONDS = 20
RATE_HZ = 48_000
WHITE_DB = 4.77  # RMS of a uniform noise under its peak: 10 log10(3)


def notes(rate_hz: int = RATE_HZ, *, decay_per_s: float = 6.0) -> Planar:
    """A plucked note every two seconds."""
    note = signals.pluck(peak_dbfs=-6, seconds=2, rate_hz=rate_hz)
    note = note * np.exp(-decay_per_s * np.arange(note.shape[1]) / rate_hz)
    return np.tile(note, (1, SECONDS // 2))


def hum(mains_hz: float, level_dbfs: float, rate_hz: int = RATE_HZ) -> Planar:
    """Fundamental and three multiples with an RMS of ``level_dbfs``."""
    time = np.arange(SECONDS * rate_hz) / rate_hz
    wave = sum(
        size * np.sin(2 * np.pi * mains_hz * number * time + number)
        for number, size in ((1, 1.0), (2, 0.5), (3, 0.7), (5, 0.2))
    )
    return wave[None] * 10 ** (level_dbfs / 20) / np.sqrt(np.mean(wave**2))


def hiss(level_dbfs: float, rate_hz: int = RATE_HZ, channels: int = 1) -> Planar:
    return signals.noise(
        peak_dbfs=level_dbfs + WHITE_DB, seconds=SECONDS, rate_hz=rate_hz, channels=channels
    )


def pauses_of(samples: Planar, rate_hz: int = RATE_HZ) -> PauseFacts:
    return measure(samples, rate_hz=rate_hz).pauses


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
@pytest.mark.parametrize("level_dbfs", [-70.0, -50.0])
def test_level_of_hiss(rate_hz: int, level_dbfs: float) -> None:
    pauses = pauses_of(notes(rate_hz) + hiss(level_dbfs, rate_hz), rate_hz)
    assert pauses.noise_floor_dbfs == pytest.approx(level_dbfs, abs=0.5)
    assert pauses.hum is None


def test_offset_and_digital_silence_are_no_noise() -> None:
    samples = notes() + hiss(-65) + 0.02
    samples[:, 5 * RATE_HZ : 9 * RATE_HZ] = 0
    assert pauses_of(samples).noise_floor_dbfs == pytest.approx(-65, abs=0.5)


def test_the_noisier_channel_counts() -> None:
    samples = np.concatenate([notes() + hiss(-80), notes() + hiss(-60)])
    pauses = pauses_of(samples)
    assert (pauses.channel, pauses.noise_floor_dbfs) == (2, pytest.approx(-60, abs=0.5))


@pytest.mark.parametrize(
    "samples",
    [
        pytest.param(notes(), id="notes that die away into silence"),
        pytest.param(notes(decay_per_s=0.2), id="notes that hardly die away"),
        pytest.param(hiss(-20), id="noise that never pauses"),
        pytest.param(signals.sine(220, peak_dbfs=-12, seconds=20), id="an organ"),
        pytest.param(signals.silence(seconds=20), id="silence"),
        pytest.param(signals.noise(peak_dbfs=-60, seconds=2), id="too short"),
    ],
)
def test_sound_without_pauses_has_no_noise_floor(samples: Planar) -> None:
    assert pauses_of(samples).noise_floor_dbfs is None
    assert pauses_of(samples).hum is None


def test_a_gate_that_lowers_by_15_db_leaves_a_lower_floor() -> None:
    samples = notes() + hiss(-50)
    is_open = np.arange(samples.shape[1]) % (2 * RATE_HZ) < RATE_HZ
    samples[:, ~is_open] *= 10 ** (-15 / 20)
    assert pauses_of(samples).noise_floor_dbfs == pytest.approx(-65, abs=0.5)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("mains_hz", [50, 60])
def test_hum_of_either_mains(rate_hz: int, mains_hz: int) -> None:
    samples = notes(rate_hz) + hum(mains_hz, -65, rate_hz) + hiss(-85, rate_hz)
    found = pauses_of(samples, rate_hz).hum
    assert found is not None
    assert found.mains_hz == mains_hz
    assert found.level_dbfs == pytest.approx(-65, abs=0.3)
    assert set(found.partials_hz) >= {mains_hz, 2 * mains_hz, 3 * mains_hz}


@pytest.mark.parametrize("mains_hz", [49.85, 50.2, 59.9, 60.1])
def test_mains_that_run_a_little_off(mains_hz: float) -> None:
    """Grids stay within 0.2 Hz in normal operation (EN 50160 allows 1 % for most of the time)."""
    found = pauses_of(notes() + hum(mains_hz, -60) + hiss(-85)).hum
    assert found is not None
    assert found.mains_hz == round(mains_hz, -1)


@pytest.mark.parametrize("note_hz", [46.25, 49.0, 51.91, 55.0, 58.27, 61.74])
def test_a_drone_of_a_note_is_no_hum(note_hz: float) -> None:
    """F#1 to B1 in equal temperament, A4 = 440 Hz (ISO 16), held through every pause."""
    assert pauses_of(notes() + hum(note_hz, -60) + hiss(-85)).hum is None


@pytest.mark.parametrize("pitch_hz", [50.0, 60.0])
def test_a_bass_that_dies_away_at_the_mains_frequency_is_no_hum(pitch_hz: float) -> None:
    time = np.arange(2 * RATE_HZ) / RATE_HZ
    note = (
        0.2
        * np.exp(-3 * time)
        * sum(np.sin(2 * np.pi * pitch_hz * n * time) / n for n in (1, 2, 3, 4))
    )
    assert pauses_of(np.tile(note, (1, 10)) + hiss(-90)).hum is None


@pytest.mark.parametrize(("level_dbfs", "is_found"), [(-70.0, True), (-95.0, False)])
def test_hum_must_stand_out_of_the_hiss(level_dbfs: float, is_found: bool) -> None:
    found = pauses_of(notes() + hum(50, level_dbfs) + hiss(-60)).hum
    assert (found is not None) is is_found
