"""Third differences by cell, against numpy.diff over the whole."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.dsp.cells import Reblocker
from stemprep.dsp.differences import CellDifferences
from stemprep.dsp.history import History
from stemprep.dsp.sharpness import CellSharpness


@pytest.mark.parametrize("channels", [1, 3])
def test_against_numpy(channels: int) -> None:
    samples = np.random.default_rng(0).normal(size=(channels, 100_000))
    blocks, sharpness = Reblocker(4_096), CellSharpness(CellDifferences())
    found = [sharpness.of(chunk) for chunk in blocks.push(samples)]
    whole = np.hstack(found)
    bends = np.abs(np.diff(np.pad(samples, ((0, 0), (3, 0))), n=3, axis=1))
    cells = bends[:, : whole.shape[1] * 32].reshape(channels, -1, 32).max(axis=2)
    assert whole == pytest.approx(cells, abs=1e-12)


def test_history_reads_over_borders() -> None:
    samples = np.arange(3 * 1_000.0).reshape(3, 1_000)
    history = History(300)
    for chunk in Reblocker(128).push(samples):
        history.see(chunk)
        end = chunk.start + chunk.frames
        assert history.end == end
        assert history.start == max(0, end - 128 - 300)
        first = max(history.start, end - 250)
        assert np.array_equal(history.window(1, end - 250, end), samples[1, first:end])
        assert np.array_equal(history.last(5), samples[:, end - 5 : end])
        history.keep()
        assert history.end == end
