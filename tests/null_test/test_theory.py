"""Bounds of a sum of quantised files against published theory."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stemprep.null_test import set_of_arrays
from stemprep.null_test.limits import floor_of, tpdf_floor
from tests.null_test.material import quantised, shortened

# Stems and the mix quantised once with TPDF dither have errors of variance q^2/4, at most 1.5 q
# (Lipshitz, Wannamaker and Vanderkooy, J. Audio Eng. Soc. 40, 1992); N + 1 independent errors add.
# dBFS re full-scale peak: 24-bit RMS and peak bound, 16-bit RMS.
TABLE = {
    2: (-139.72, -125.41, -91.56),
    8: (-134.95, -115.87, -86.79),
    24: (-130.51, -106.99, -82.35),
    64: (-126.37, -98.69, -78.20),
}


def decibels(ratio: float) -> float:
    return 20 * math.log10(ratio)


@pytest.mark.parametrize(("stems", "expected"), TABLE.items())
def test_table_of_bounds(stems: int, expected: tuple[float, ...]) -> None:
    dithered = tpdf_floor([2.0**-23] * (stems + 1))
    found = (dithered.rms, dithered.peak, tpdf_floor([2.0**-15] * (stems + 1)).rms)
    assert [decibels(value) for value in found] == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize(("dithered", "lower_db"), [(False, 4.77), (True, 0.0)])
def test_quantised_noise_leaves_what_theory_says(dithered: bool, lower_db: float) -> None:
    """Simulation with Gaussian stems; rounding alone leaves q^2/12, a third of what dither does."""
    generator = np.random.default_rng(4)
    stems = [generator.normal(0, 0.03, (2, 60_000)) for _ in range(8)]
    mix = quantised(sum(stems, np.zeros((2, 60_000))), 24, generator, dithered=dithered)
    left = mix - sum(quantised(stem, 24, generator, dithered=dithered) for stem in stems)
    theory = tpdf_floor([2.0**-23] * 9)
    assert decibels(float(np.sqrt(np.mean(left**2)))) == pytest.approx(
        decibels(theory.rms) - lower_db, abs=0.1
    )
    assert np.abs(left).max() <= theory.peak


@pytest.mark.parametrize(
    ("way", "mean", "mean_square"),
    [
        ("rounded", 0.0, 1 / 12),
        ("floored", -0.5, 1 / 12 + 1 / 4),
        ("towards-zero", 0.0, 1 / 12 + 1 / 4),
        ("tpdf", 0.0, 1 / 4),
    ],
)
def test_the_four_ways_to_shorten_a_word(way: str, mean: float, mean_square: float) -> None:
    """Uniform error over one step: variance q^2/12 about its mean; TPDF: q^2/4 (see the module)."""
    generator = np.random.default_rng(6)
    samples = generator.normal(0, 0.03, (2, 60_000))
    errors = (shortened(samples, 16, generator, way) - samples) / 2.0**-15
    assert float(errors.mean()) == pytest.approx(mean, abs=0.01)
    assert float(np.square(errors).mean()) == pytest.approx(mean_square, abs=0.01)
    assert float(np.abs(errors).max()) <= 1.5


@pytest.mark.parametrize("way", ["floored", "towards-zero"])
def test_words_cut_off_stay_below_the_limits(way: str) -> None:
    generator = np.random.default_rng(7)
    stems = [generator.normal(0, 0.03, (2, 60_000)) for _ in range(8)]
    mix = shortened(sum(stems, np.zeros((2, 60_000))), 24, generator, way)
    left = mix - sum(shortened(stem, 24, generator, way) for stem in stems)
    floor = tpdf_floor([2.0**-23] * 9)
    offset = left.mean(axis=1, keepdims=True)
    assert np.abs(offset).max() <= floor.offset
    assert float(np.sqrt(np.mean((left - offset) ** 2))) <= floor.rms_limit
    assert np.abs(left).max() <= floor.peak


def test_float_files_count_with_their_own_rounding() -> None:
    """IEEE 754 binary32: half a step is 2^-24 of the value; 8 stems of -20 dBFS null below -140."""
    generator = np.random.default_rng(5)
    stems = [generator.normal(0, 0.1, (2, 1000)).astype(np.float32) for _ in range(8)]
    parts = set_of_arrays(np.sum(stems, axis=0), stems, 48_000, 0.0)
    assert -160 < decibels(floor_of(parts).rms) < -140


def test_a_float_mix_adds_no_step_and_a_quieter_sum_less() -> None:
    q = 2.0**-15
    silent = np.zeros((2, 100), np.float32)
    parts = set_of_arrays(silent, [silent, silent], 48_000, q)
    assert floor_of(parts).rms == pytest.approx(q / 2 * math.sqrt(3))
    assert floor_of(parts, 0.5).rms == pytest.approx(q / 2 * math.sqrt(1.5))
