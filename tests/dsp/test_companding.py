"""One byte a sample: what is heard is seen, what is silent is not."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stemprep.dsp.companding import level_of, levels_of, value_of


@given(st.floats(-1.0, 1.0))
def test_a_byte_stands_for_its_sample(value: float) -> None:
    """Half a step of the root: 1/254 of it around any value."""
    root = math.copysign(math.sqrt(abs(value)), value)
    back = value_of(level_of(value))
    assert abs(math.copysign(math.sqrt(abs(back)), back) - root) <= 1 / 127


def test_only_silence_is_zero() -> None:
    assert level_of(0.0) == 0
    assert level_of(1e-9) == 1
    assert level_of(-1e-9) == -1


def test_what_is_no_level_stays_inside() -> None:
    found = levels_of(np.array([np.nan, np.inf, -np.inf, 3.0, -1.0]))
    assert found.tolist() == [0, 127, -127, 127, -127]
