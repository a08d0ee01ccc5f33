"""EBU Tech 3341 v4.0 (November 2023), table 1: minimum requirements test signals.

Tolerances: loudness +/-0.1 LU, true peak +0.2/-0.4 dB. Signals 7 and 8 are recordings that may
not be passed on; 11 and 14 are for live meters.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from stemprep.model.words import TruePeakFilter
from tests.conformance import ebu_signals
from tests.measure.feed import measure
from tests.shipped import measure_settings

SILENCE = -math.inf
FILTERS: tuple[TruePeakFilter, ...] = ("long", "hann-49", "annex-2")


def _near(loudness_lufs: float) -> object:
    return pytest.approx(loudness_lufs, abs=0.1)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_1_and_2(level: float, rate_hz: int) -> None:
    loudness = measure(ebu_signals.steps([(20, level)], rate_hz), rate_hz=rate_hz).loudness
    assert loudness.max_momentary_lufs == _near(level)
    assert loudness.max_short_term_lufs == _near(level)
    assert loudness.loudness_lufs == _near(level)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize(
    "parts",
    [
        pytest.param([(10, -36.0), (60, -23.0), (10, -36.0)], id="3"),
        pytest.param(
            [(10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)],
            id="4",
        ),
        pytest.param([(20, -26.0), (20.1, -20.0), (20, -26.0)], id="5"),
    ],
)
def test_3_to_5(parts: list[tuple[float, float]], rate_hz: int) -> None:
    sound = measure(ebu_signals.steps(parts, rate_hz), rate_hz=rate_hz)
    assert sound.loudness.loudness_lufs == _near(-23.0)
    assert sound.loudness.is_range_meaningful


@pytest.mark.parametrize("mask", [None, 0x37, 0x607])
def test_6(mask: int | None) -> None:
    """5.0: left and right -28, centre -24, surrounds -30 dBFS, 20 s."""
    levels = [-28.0, -28.0, -24.0, -30.0, -30.0]
    samples = np.vstack([ebu_signals.steps([(20, level)], 48_000, 1) for level in levels])
    assert measure(samples, mask=mask).loudness.loudness_lufs == _near(-23.0)


def test_6_with_a_low_frequency_channel() -> None:
    """BS.1770-5: the LFE channel is left out, whatever it carries."""
    levels = [-28.0, -28.0, -24.0, -6.0, -30.0, -30.0]
    samples = np.vstack([ebu_signals.steps([(5, level)], 48_000, 1) for level in levels])
    assert measure(samples).loudness.loudness_lufs == _near(-23.0)


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_9(rate_hz: int) -> None:
    samples = ebu_signals.steps([(1.34, -20.0), (1.66, -30.0)] * 5, rate_hz)
    assert measure(samples, rate_hz=rate_hz).loudness.max_short_term_lufs == _near(-23.0)


@pytest.mark.parametrize("index", range(20))
def test_10(index: int) -> None:
    samples = ebu_signals.steps([(index * 0.15, SILENCE), (3, -23.0), (1, SILENCE)], 48_000)
    assert measure(samples).loudness.max_short_term_lufs == _near(-23.0)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_12(rate_hz: int) -> None:
    samples = ebu_signals.steps([(0.18, -20.0), (0.22, -30.0)] * 25, rate_hz)
    assert measure(samples, rate_hz=rate_hz).loudness.max_momentary_lufs == _near(-23.0)


@pytest.mark.parametrize("rate_hz", [11_025, 22_050, 48_000])
@pytest.mark.parametrize("index", range(20))
def test_13(index: int, rate_hz: int) -> None:
    samples = ebu_signals.steps([(index * 0.02, SILENCE), (0.4, -23.0), (1, SILENCE)], rate_hz)
    assert measure(samples, rate_hz=rate_hz).loudness.max_momentary_lufs == _near(-23.0)


def _true_peak(samples: np.ndarray, rate_hz: int, name: TruePeakFilter) -> float:
    config = measure_settings(true_peak_filter=name)
    return measure(samples, rate_hz=rate_hz, bits=None, settings=config).level.true_peak_dbtp


@pytest.mark.parametrize(
    ("rate_hz", "name"),
    [
        (44_100, "long"),
        (48_000, "long"),
        (96_000, "long"),
        (192_000, "long"),
        (48_000, "hann-49"),
        (96_000, "hann-49"),
        (48_000, "annex-2"),
    ],
)
@pytest.mark.parametrize(
    ("divisor", "peak", "phase", "expected"),
    [
        pytest.param(4, 0.50, 0.0, -6.0, id="15"),
        pytest.param(4, 0.50, 45.0, -6.0, id="16"),
        pytest.param(6, 0.50, 60.0, -6.0, id="17"),
        pytest.param(8, 0.50, 67.5, -6.0, id="18"),
        pytest.param(4, 1.41, 45.0, 3.0, id="19"),
    ],
)
def test_15_to_19(
    divisor: int, peak: float, phase: float, expected: float, rate_hz: int, name: TruePeakFilter
) -> None:
    samples = ebu_signals.faded_sine(divisor, peak, phase, rate_hz)
    assert -0.4 <= _true_peak(samples, rate_hz, name) - expected <= 0.2


@pytest.mark.parametrize(("offset", "sample_peak"), [(0, -0.1), (1, -0.5), (2, -2.5), (3, -0.5)])
@pytest.mark.parametrize(
    ("rate_hz", "name"),
    [
        (44_100, "long"),
        (48_000, "long"),
        (96_000, "long"),
        *((48_000, name) for name in FILTERS[1:]),
    ],
)
def test_20_to_23(offset: int, sample_peak: float, rate_hz: int, name: TruePeakFilter) -> None:
    samples = ebu_signals.burst(offset, rate_hz)
    assert 20 * np.log10(np.abs(samples).max()) == pytest.approx(sample_peak, abs=0.06)
    assert -0.4 <= _true_peak(samples, rate_hz, name) <= 0.2


def test_alignment_level() -> None:
    """Tech 3341, 2.9: 1 kHz stereo sine in phase at -18 dBFS reads -18.0 LUFS."""
    loudness = measure(ebu_signals.steps([(5, -18.0)], 48_000)).loudness
    assert loudness.loudness_lufs == pytest.approx(-18.0, abs=0.05)
