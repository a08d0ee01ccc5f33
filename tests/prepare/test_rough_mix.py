"""Pan law and the one gain, against worked figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stemprep.prepare.rough_mix import pan_matrix
from stemprep.work.mix import common_gain_db


def _db(ratio: float) -> float:
    return 20 * math.log10(ratio)


@pytest.mark.parametrize(
    ("pan", "left_db", "right_db"),
    [(None, -3.01, -3.01), (0, -3.01, -3.01), (-50, -0.69, -8.34), (50, -8.34, -0.69)],
)
def test_constant_power(pan: float | None, left_db: float, right_db: float) -> None:
    """Sine and cosine law: centre -3.01 dB, quarter left -0.69 and -8.34 dB (worked by hand)."""
    matrix = pan_matrix(1, None, pan)
    assert _db(matrix[0, 0]) == pytest.approx(left_db, abs=0.005)
    assert _db(matrix[1, 0]) == pytest.approx(right_db, abs=0.005)


@pytest.mark.parametrize("pan", [-100, -73, 0, 12.5, 100])
def test_a_mono_file_keeps_its_power_wherever_it_stands(pan: float) -> None:
    assert np.sum(pan_matrix(1, -6.0, pan) ** 2) == pytest.approx(10**-0.6)


def test_a_stereo_file_is_balanced() -> None:
    assert np.array_equal(pan_matrix(2, None, None), np.eye(2))
    assert np.allclose(pan_matrix(2, 0.0, 100), [[0, 0], [0, 1]], atol=1e-15)
    assert pan_matrix(2, 0.0, -50)[1, 1] == pytest.approx(math.sqrt(0.5))


@pytest.mark.parametrize(
    ("loudness_lufs", "peak_dbtp", "gain_db"),
    [
        (-24.0, -12.0, 6.0),  # to -18 LUFS
        (-24.0, -3.0, 2.0),  # the peak stops it at -1 dBTP
        (-10.0, 6.0, -8.0),  # down to -18 LUFS
        (None, 3.0, -4.0),  # too short for loudness: only under the ceiling
        (None, -30.0, 0.0),
        (None, -math.inf, 0.0),  # silence
        (-60.0, -45.0, 24.0),  # the most that is given
        (-24.004, -20.0, 6.0),
    ],
)
def test_one_gain(loudness_lufs: float | None, peak_dbtp: float, gain_db: float) -> None:
    assert common_gain_db(loudness_lufs, peak_dbtp) == pytest.approx(gain_db)
