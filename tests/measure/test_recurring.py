"""Clicks that come back with their sound, and clicks that only come again."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.measure.clicks import Levels, levels_around, recurrences
from stemprep.model.facts import ClickFacts
from tests import signals
from tests.measure.feed import measure
from tests.signals import Planar

RATE_HZ = 48_000
HITS = 6
APART = 40_000


def hits(rate_hz: int = RATE_HZ) -> Planar:
    """One stroke again and again over hiss, as a drum machine plays it."""
    hit = signals.pluck(peak_dbfs=-6, seconds=0.5, rate_hz=rate_hz)
    hit = hit * np.exp(-30 * np.arange(hit.shape[1]) / rate_hz)
    sound = np.zeros((1, HITS * APART))
    for number in range(HITS):
        sound[:, number * APART + 2_000 :][:, : hit.shape[1]] += hit
    return sound + signals.noise(peak_dbfs=-80, seconds=HITS * APART / RATE_HZ)


def others(samples: Planar) -> list[int]:
    return [click.recurrences for click in measure(samples).transients.clicks]


def counted(around: list[Levels], heights_db: list[float], apart: int = APART) -> list[int]:
    clicks = [
        ClickFacts(channel=1, start=apart * n, end=apart * n + 1, height_db=height_db, sigmas=99)
        for n, height_db in enumerate(heights_db)
    ]
    return recurrences(clicks, around, RATE_HZ)


def test_a_click_in_the_sample_comes_back_with_it() -> None:
    samples = hits()
    for number in range(HITS):
        samples[0, number * APART + 1_200] += 0.6  # shortly before each stroke
    assert others(samples) == [HITS - 1] * HITS


def test_clicks_at_other_places_of_the_same_sound_are_accidents() -> None:
    samples = hits()
    for number in range(HITS):
        samples[0, number * APART + 900 + 60 * number] += 0.6
    assert others(samples) == [0] * HITS


def test_evenly_spaced_clicks_in_a_steady_sound_are_accidents() -> None:
    """A clock that slips does so at even distances; two may meet the same phase by chance."""
    samples = sum(
        signals.sine(hz, peak_dbfs=-20, seconds=4, phase_degrees=hz) for hz in (220, 277, 331)
    ) + signals.noise(peak_dbfs=-70, seconds=4)
    samples[0, 10_000::20_000] += 0.5
    found = others(samples)
    assert len(found) == 10
    assert found.count(0) >= 8


def test_one_click_in_both_channels_is_one() -> None:
    samples = np.vstack([hits(), hits()])
    samples[:, APART + 1_200] += 0.6
    assert others(samples) == [0, 0]


@pytest.mark.parametrize(("apart", "expected"), [(2_401, [1, 1]), (2_400, [0, 0])])
def test_clicks_within_50_ms_are_one(apart: int, expected: list[int]) -> None:
    levels = np.linspace(-20, 20, 16)
    assert counted([levels, levels], [0.0, 0.0], apart) == expected


@pytest.mark.parametrize(("height_db", "expected"), [(3.0, [1, 1]), (3.1, [0, 0])])
def test_a_higher_click_in_the_same_sound(height_db: float, expected: list[int]) -> None:
    levels = np.linspace(-20, 20, 16)
    assert counted([levels, levels], [0.0, height_db]) == expected


@pytest.mark.parametrize(("difference_db", "expected"), [(1.2, [1, 1]), (1.3, [0, 0])])
def test_sounds_that_differ(difference_db: float, expected: list[int]) -> None:
    levels = np.linspace(-20, 20, 16)
    other = levels + difference_db * np.where(np.arange(16) % 2, 1, -1)
    assert counted([levels, other], [0.0, 0.0]) == expected


@pytest.mark.parametrize(("range_db", "expected"), [(10.0, [1, 1]), (9.9, [0, 0])])
def test_a_level_that_stays_has_no_places(range_db: float, expected: list[int]) -> None:
    levels = np.linspace(0, range_db, 16)
    assert counted([levels, levels], [0.0, 0.0]) == expected


def test_nothing_and_many() -> None:
    assert counted([], []) == []
    levels = np.linspace(-20, 20, 16)
    assert counted([levels] * 300, [0.0] * 300) == [127] * 128 + [128] * 172


@pytest.mark.parametrize("rate_hz", [8_000, 48_000, 96_000])
def test_levels_near_an_edge_of_the_file(rate_hz: int) -> None:
    assert np.isfinite(levels_around(np.ones(10), 4, 5, rate_hz)).all()
    assert np.isfinite(levels_around(np.zeros(5_000), 2_500, 2_501, rate_hz)).all()
