"""The search within two seconds: found, not clear, and what says nothing."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.timing import (
    SEARCH_RATE_HZ,
    SEARCH_REACH_S,
    SEARCH_WINDOW_S,
    search_stretches,
    wide_lag,
    window_fits,
)

WINDOW, REACH = (round(each * SEARCH_RATE_HZ) for each in (SEARCH_WINDOW_S, SEARCH_REACH_S))


def fits(close: np.ndarray, other: np.ndarray, starts: list[int]) -> list[np.ndarray]:
    padded = np.pad(other, REACH)
    found = [
        window_fits(close[start : start + WINDOW], padded[start : start + WINDOW + 2 * REACH])
        for start in starts
    ]
    return [each for each in found if each is not None]


def noise(seconds: float, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.normal(0, 0.1, round(seconds * SEARCH_RATE_HZ)).astype(np.float32)


@pytest.mark.parametrize("late", [-15_000, -1_003, 0, 240, 9_600, 15_900])
def test_the_lag_of_a_noisy_copy(late: int) -> None:
    close = noise(10)
    other = -0.3 * np.roll(close, late) + noise(10, seed=2)
    found = wide_lag(fits(close, other, [24_000, 40_000, 56_000]))
    assert found is not None
    assert found.lag_s == pytest.approx(late / SEARCH_RATE_HZ, abs=0.006)


def test_unrelated_sounds_are_not_clear() -> None:
    starts = [16_000 + 8_000 * step for step in range(6)]
    assert wide_lag(fits(noise(10), noise(10, seed=2), starts)) is None
    assert wide_lag([]) is None


def test_silence_says_nothing() -> None:
    assert fits(noise(10), np.zeros(80_000, dtype=np.float32), [24_000]) == []
    late = np.concatenate([np.zeros(40_000, dtype=np.float32), noise(5)])
    (told,) = fits(noise(10), late, [24_000])
    assert np.isnan(told[: round(REACH / 40)]).all()


def test_a_pattern_that_repeats_is_not_clear_and_its_break_makes_it_so() -> None:
    turn = noise(0.5)
    loop = np.tile(turn, 24)
    starts = [16_000 + 8_000 * step for step in range(7)]
    assert wide_lag(fits(loop, loop, starts)) is None
    broken = loop.copy()
    for at in (20_000, 44_000, 68_000):
        broken[at : at + 6_000] = noise(0.75, seed=at)
    found = wide_lag(fits(broken, broken, starts))
    assert found is not None
    assert found.lag_s == pytest.approx(0.0, abs=0.006)


def test_windows_are_spread_and_none_in_a_short_recording() -> None:
    columns = [1.0] * 300 + [0.5] * 300
    starts = search_stretches(columns, 60 * 48_000, 48_000)
    assert len(starts) == 16
    assert starts[-1] > 50 * 48_000
    assert search_stretches(columns, 2 * 48_000, 48_000) == ()
    assert search_stretches([0.0] * 600, 60 * 48_000, 48_000) == ()
