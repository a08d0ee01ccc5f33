"""Chunks and their cells."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.dsp.cells import CELL_FRAMES, CHUNK_FRAMES, Reblocker, chunk_of
from stemprep.dsp.scratch import Scratch
from tests import signals


def test_extremes_of_a_short_last_cell() -> None:
    """The zeros that fill up a cell are no samples: a cell of positive samples stays positive."""
    samples = np.full((1, CELL_FRAMES + 5), 0.25)
    samples[0, -1] = 0.5
    chunk = chunk_of(samples, 7, Scratch())
    assert chunk.start == 7
    assert chunk.frames == CELL_FRAMES + 5
    assert chunk.low.tolist() == [[0.25, 0.25]]
    assert chunk.high.tolist() == [[0.25, 0.5]]
    assert chunk.samples.shape == (1, 2 * CELL_FRAMES)
    assert not chunk.samples[0, CELL_FRAMES + 5 :].any()


def test_extremes_of_many_cells() -> None:
    samples = signals.noise(peak_dbfs=0, seconds=0.1, channels=3)
    chunk = chunk_of(samples, 0, Scratch())
    cells = samples.reshape(3, -1, CELL_FRAMES)
    assert np.array_equal(chunk.low, cells.min(axis=2))
    assert np.array_equal(chunk.high, cells.max(axis=2))
    assert np.array_equal(chunk.size, np.abs(cells).max(axis=2))
    assert np.array_equal(chunk.across, cells.transpose(2, 0, 1))


@settings(max_examples=25, deadline=None)
@given(sizes=st.lists(st.integers(1, 2 * CHUNK_FRAMES + 3), min_size=1, max_size=8))
def test_chunks_do_not_depend_on_blocks(sizes: list[int]) -> None:
    total = sum(sizes)
    samples = np.arange(total, dtype=np.float64)[None, :]
    reblocker = Reblocker()
    seen = 0
    for start, size in zip(np.cumsum([0, *sizes]), sizes, strict=False):
        for chunk in reblocker.push(samples[:, start : start + size]):
            assert (chunk.start, chunk.frames) == (seen, CHUNK_FRAMES)
            assert np.array_equal(chunk.valid, samples[:, seen : seen + CHUNK_FRAMES])
            seen += CHUNK_FRAMES
    for chunk in reblocker.flush():
        assert np.array_equal(chunk.valid, samples[:, seen:])
        seen += chunk.frames
    assert seen == total
