from __future__ import annotations

import numpy as np
import pytest

from stemprep.dsp.finite import finite


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_what_is_no_number_is_silence(kind: type[np.float32] | type[np.float64]) -> None:
    sound = np.array([[0.5, np.nan, -np.inf], [np.inf, -0.25, 1.0]], dtype=kind)
    told = finite(sound)
    assert told.dtype == kind
    assert told.tolist() == [[0.5, 0.0, 0.0], [0.0, -0.25, 1.0]]


def test_sound_of_numbers_is_given_back_as_it_is() -> None:
    sound = np.array([[0.5, -2.0]])
    assert finite(sound) is sound
