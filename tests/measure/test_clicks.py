"""Clicks in sound that goes on, and sound that is sharp by itself."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from stemprep.demo import song
from stemprep.dsp.cells import CHUNK_FRAMES
from stemprep.measure import disturbance
from stemprep.model.facts import ClickFacts
from tests import signals
from tests.measure.feed import measure

RATE_HZ = 48_000


def clicks(samples: signals.Planar, lowest_db: float = -6.0, **more: int) -> list[ClickFacts]:
    facts = measure(samples, **more).transients
    return [click for click in facts.clicks if click.height_db >= lowest_db]


def chord() -> signals.Planar:
    tones = [signals.sine(f, peak_dbfs=-20, seconds=2, phase_degrees=f) for f in (220, 277, 331)]
    return np.asarray(sum(tones)) + signals.noise(peak_dbfs=-70, seconds=2)


@pytest.mark.parametrize("length", [1, 2, 5, 8])
@pytest.mark.parametrize("place", [20_000, CHUNK_FRAMES - 1, CHUNK_FRAMES, 50_015])
def test_a_click_at_its_place(place: int, length: int) -> None:
    samples = chord()
    peak = np.abs(samples).max()
    samples[0, place : place + length] += peak * np.sign(samples[0, place])
    (click,) = clicks(samples)
    assert (click.channel, click.start) == (1, place)
    assert abs(click.end - place - length) <= 1
    assert click.height_db == pytest.approx(0, abs=1.5)
    assert click.sigmas > 100


@pytest.mark.parametrize("length", [9, 20, 40, 64])
def test_longer_clicks(length: int) -> None:
    samples = chord()
    garbage = np.random.default_rng(length).uniform(-1, 1, length)
    samples[0, 30_000 : 30_000 + length] += 4 * np.abs(samples).max() * garbage
    (click,) = clicks(samples)
    assert abs(click.start - 30_000) <= 8
    assert abs(click.end - 30_000 - length) <= 8


@pytest.mark.parametrize(("length", "is_found"), [(68, True), (69, False)])
def test_what_reads_longer_than_clicks_are_is_none(
    length: int, is_found: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The stretch made anew begins up to eight samples early, and sound may fill all of it."""
    mended = disturbance._mended

    def all_of_it(*arguments: Any) -> tuple[bool, int, signals.Planar]:
        is_mended, at, added = mended(*arguments)
        return is_mended, at, np.full(length, np.abs(added).max())

    monkeypatch.setattr(disturbance, "_mended", all_of_it)
    samples = chord()
    samples[0, 30_000] += 0.9
    assert bool(clicks(samples)) is is_found


@pytest.mark.parametrize("block_frames", [1_000, 65_536])
def test_clicks_do_not_depend_on_blocks(block_frames: int) -> None:
    samples = np.vstack([chord(), chord()])
    samples[1, 32_700] += 0.5
    samples[0, 70_000] -= 0.5
    found = clicks(samples, block_frames=block_frames)
    assert [(c.channel, c.start) for c in found] == [(2, 32_700), (1, 70_000)]


def test_a_click_in_noise_stands_out_by_height() -> None:
    samples = signals.noise(peak_dbfs=-20, seconds=2)
    samples[0, 40_000] = 0.45
    (click,) = clicks(samples)
    assert click.start == 40_000
    assert click.height_db == pytest.approx(13.1, abs=1)


@pytest.mark.parametrize(("peak_dbfs", "is_found"), [(-53.0, True), (-61.0, False)])
def test_what_is_faint_is_no_click(peak_dbfs: float, is_found: bool) -> None:
    """20 dB and more over the noise; fingers and amplifiers make such (common practice)."""
    samples = signals.noise(peak_dbfs=-90, seconds=2)
    samples[0, 40_000] += 10 ** (peak_dbfs / 20)
    assert bool(clicks(samples)) is is_found


SECONDS = np.arange(4 * RATE_HZ) / RATE_HZ


@pytest.mark.parametrize("wave", [
    0.5 * np.sign(np.sin(2 * np.pi * 55 * SECONDS + 0.1)),
    0.5 * (2 * ((41.3 * SECONDS) % 1) - 1),
    0.7 * np.tanh(12 * np.sin(2 * np.pi * 82 * SECONDS)),
    signals.noise(peak_dbfs=-6, seconds=4)[0],
    0.5 * song.snare_source(RATE_HZ),
    0.5 * song.kick_source(RATE_HZ),
    0.5 * song.hat_source(RATE_HZ),
    0.5 * song.chord_source(RATE_HZ, is_piano=False),
], ids=["square", "saw", "distorted", "hiss", "snare", "kick", "hat", "guitar"])  # fmt: skip
def test_sharp_sound_is_no_click(wave: np.ndarray) -> None:
    assert clicks(wave[None, :]) == []


@pytest.mark.parametrize("floor_dbfs", [-120.0, -75.0])
def test_a_gate_that_cuts_is_no_click(floor_dbfs: float) -> None:
    """Open for 120 ms of each note; the cut meets the note at another place each time."""
    notes = np.tile(signals.pluck(peak_dbfs=-6, seconds=0.5), (1, 8))
    place = np.arange(notes.shape[1]) % (RATE_HZ // 2 + 77)
    gated = notes * (place < 0.12 * RATE_HZ) * (place > 0.01 * RATE_HZ)
    assert clicks(gated + signals.noise(peak_dbfs=floor_dbfs, seconds=4)) == []


def test_a_click_at_the_foot_of_a_note_is_one() -> None:
    samples = 0.1 * signals.noise(peak_dbfs=-30, seconds=2)
    samples[:, 40_000:] += signals.pluck(peak_dbfs=-6, seconds=2)[:, : samples.shape[1] - 40_000]
    samples[0, 39_500] += 0.9
    (found,) = clicks(samples)
    assert found.start == 39_500


def test_silence_and_one_sample() -> None:
    assert clicks(signals.silence(seconds=1)) == []
    assert clicks(np.full((1, 1), 0.5)) == []
