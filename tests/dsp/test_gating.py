"""Gates and windows on hand-made energies."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stemprep.dsp.gating import (
    hop_edges,
    integrated_loudness,
    loudness_from_power,
    loudness_range,
    power_from_loudness,
    window_powers,
)


def test_hops_of_uneven_rates_follow_the_clock() -> None:
    """At 11,025 Hz a hop is 110.25 samples: edges to the nearest sample, no drift."""
    edges = hop_edges(400, 11_025)
    assert edges[:5].tolist() == [0, 110, 221, 331, 441]
    assert edges[400] == 44_100


def test_windows_divide_by_the_samples_in_them() -> None:
    edges = hop_edges(6, 11_025)
    energies = np.diff(edges).astype(float) * 0.25
    assert window_powers(energies, edges, 4) == pytest.approx([0.25, 0.25, 0.25])
    assert window_powers(energies, edges, 7).size == 0


def test_power_and_loudness_are_inverse() -> None:
    """BS.1770-5 equation 2."""
    assert loudness_from_power(power_from_loudness(-23.0)) == pytest.approx(-23.0)
    assert loudness_from_power(1.0) == pytest.approx(-0.691)
    assert loudness_from_power(0.0) == -math.inf


def test_relative_gate_drops_what_lies_over_10_lu_below() -> None:
    """BS.1770-5 equations 4 to 7, by hand: 10 blocks at -20 and 10 at -40 LUFS."""
    powers = np.repeat([power_from_loudness(-20), power_from_loudness(-40)], 100)
    assert integrated_loudness(powers) == pytest.approx(-20.0)


def test_absolute_gate_is_strict() -> None:
    at_gate = np.full(100, power_from_loudness(-70.0))
    assert integrated_loudness(at_gate * 0.9999) is None
    assert integrated_loudness(at_gate * 1.0001) == pytest.approx(-70.0, abs=0.001)


def test_range_percentiles() -> None:
    """Tech 3342: 10th and 95th percentile of a ramp from -40.0 to -30.0 in steps of 0.1 LU."""
    ramp = np.array([power_from_loudness(-40 + step / 10) for step in range(101)])
    assert loudness_range(np.repeat(ramp, 10)) == pytest.approx(8.5, abs=1e-9)
    assert loudness_range(np.zeros(0)) is None
