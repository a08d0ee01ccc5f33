"""A click where less sound lies before it than is compared with it."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.measure import disturbance


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_click_near_the_start_of_the_window(seed: int) -> None:
    sound = np.random.default_rng(seed).normal(size=1500) * 0.01
    cell = 4 * disturbance.ORDER + disturbance.MARGIN
    sound[cell + 3] += 0.9
    found = disturbance.click_in(sound, cell)
    assert found is not None
    assert found[:2] == (cell + 3, 1)
