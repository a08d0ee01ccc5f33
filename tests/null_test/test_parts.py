from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.null_test.excerpts import MARGIN, WINDOW
from stemprep.null_test.model import margin_for, moved, moved_with_slope
from stemprep.null_test.parts import ArrayStream, BestSpan, BlockStream
from tests import signals


@settings(max_examples=60, deadline=None)
@given(
    size=st.integers(1, 37),
    offset=st.integers(-50, 50),
    steps=st.lists(st.integers(0, 40), min_size=1, max_size=8),
    width=st.integers(1, 90),
)
def test_streams_of_blocks_give_what_arrays_give(
    size: int, offset: int, steps: list[int], width: int
) -> None:
    samples = np.arange(2 * 150, dtype=np.float64).reshape(2, 150) + 1
    blocks = iter([samples[:, start : start + size] for start in range(0, 150, size)])
    streamed, known = BlockStream(blocks, 2, offset), ArrayStream(samples, offset)
    start = -20
    for step in steps:
        start += step
        expected = known.take(start, start + width)
        np.testing.assert_array_equal(streamed.take(start, start + width), expected)


@pytest.mark.parametrize("lag", [-300.0, 0.0, 17.0])
def test_whole_moves_are_exact(lag: float) -> None:
    sound = signals.noise(peak_dbfs=-6, seconds=0.1)
    margin = margin_for(lag)
    inner = sound[:, margin + int(lag) : sound.shape[1] - margin + int(lag)]
    np.testing.assert_array_equal(moved(sound, lag, margin), inner)


def test_a_broken_move_of_a_sine_is_its_phase() -> None:
    """sin(w(t + d)): the definition of a band-limited delay, within -110 dB."""
    sound = signals.sine(3000, peak_dbfs=0, seconds=0.5)
    found = moved(sound, 10.3, 4096)
    time = np.arange(found.shape[1]) + 4096 + 10.3
    expected = np.sin(2 * np.pi * 3000 * time / 48_000)
    assert np.abs(found - expected).max() < 10 ** (-110 / 20)


def test_the_slope_is_the_difference_quotient() -> None:
    sound = signals.sine(500, peak_dbfs=0, seconds=0.5)
    value, slope = moved_with_slope(sound, 0.25, MARGIN // 4)
    later = moved(sound, 0.25 + 1e-4, MARGIN // 4)
    np.testing.assert_allclose((later - value) / 1e-4, slope, atol=1e-4)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(-9, 9), min_size=1, max_size=60), st.integers(1, 13))
def test_best_span_against_trying_them_all(values: list[int], size: int) -> None:
    finder = BestSpan()
    for start in range(0, len(values), size):
        finder.add(start, np.array(values[start : start + size], dtype=float))
    best = max(
        (
            sum(values[first:last])
            for first in range(len(values))
            for last in range(first, len(values) + 1)
        ),
        default=0,
    )
    assert finder.best == best
    assert sum(values[slice(*finder.span)]) == best
    assert finder.total == sum(values)


def test_windows_hold_whole_cells() -> None:
    assert WINDOW % 1024 == 0
