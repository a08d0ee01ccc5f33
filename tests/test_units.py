from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep import units


@pytest.mark.parametrize(
    ("ratio", "level_db"), [(1.0, 0.0), (10.0, 20.0), (0.5, -6.0206), (math.sqrt(0.5), -3.0103)]
)
def test_amplitudes_and_powers(ratio: float, level_db: float) -> None:
    """20 lg of a ratio of amplitudes, 10 lg of one of powers (IEC 60027-3, from memory)."""
    assert units.db_from_ratio(ratio) == pytest.approx(level_db, abs=1e-4)
    assert units.db_from_power(ratio**2) == pytest.approx(level_db, abs=1e-4)
    assert units.ratio_from_db(level_db) == pytest.approx(ratio, rel=1e-4)
    assert units.power_from_db(level_db) == pytest.approx(ratio**2, rel=1e-4)


def test_silence_has_a_level_and_comes_back() -> None:
    assert units.db_from_ratio(0.0) == units.db_from_power(0.0) == -math.inf
    assert units.ratio_from_db(-math.inf) == units.power_from_db(-math.inf) == 0.0


@pytest.mark.parametrize("convert", [units.db_from_ratio, units.db_from_power])
@pytest.mark.parametrize("value", [-0.5, math.nan])
def test_what_has_no_level_is_refused(convert: Callable[[float], float], value: float) -> None:
    with pytest.raises(ValueError, match="no level in dB"):
        convert(value)


def test_a_step_of_16_bits() -> None:
    assert units.quantising_step(16) == 1 / 32_768


@pytest.mark.parametrize(
    ("samples", "from_hz", "to_hz", "expected"),
    [(44_100, 44_100, 48_000, 48_000), (1, 96_000, 48_000, 1), (-1, 96_000, 48_000, -1),
     (1, 48_000, 44_100, 1), (10**13, 48_000, 44_100, 9_187_500_000_000)],
)  # fmt: skip
def test_positions_at_another_rate(samples: int, from_hz: int, to_hz: int, expected: int) -> None:
    assert units.convert_samples(samples, from_hz, to_hz) == expected


@given(st.integers(0, 2**40), *[st.sampled_from([8_000, 44_100, 48_000, 96_000, 192_000])] * 2)
def test_a_converted_length_holds_all_sound_and_no_sample_more(
    frames: int, from_hz: int, to_hz: int
) -> None:
    length = units.length_after_conversion(frames, from_hz, to_hz)
    exact = Fraction(frames * to_hz, from_hz)
    assert exact <= length < exact + 1


@pytest.mark.parametrize(
    ("samples", "rate_hz", "clock"),
    [(0, 48_000, "0:00.000"), (47_952, 48_000, "0:00.999"), (48_000 * 61, 48_000, "1:01.000"),
     (44_100 * 3600, 44_100, "1:00:00.000"), (44_100 * 3600 - 45, 44_100, "59:59.999"),
     (125_217, 48_000, "0:02.609"), (44_100 * 3600 - 1, 44_100, "1:00:00.000")],
)  # fmt: skip
def test_clock(samples: int, rate_hz: int, clock: str) -> None:
    assert units.clock_from_samples(samples, rate_hz) == clock


@pytest.mark.parametrize(
    ("samples", "clock"),
    [(0, "00:00:00.000"), (172_772_129, "00:59:59.419"), (1_727_922_783, "09:59:58.391"),
     (48_000 * 86_400 - 1, "24:00:00.000"), (48_000 * 86_400 - 48, "23:59:59.999")],
)  # fmt: skip
def test_time_of_day(samples: int, clock: str) -> None:
    assert units.time_of_day_from_samples(samples, 48_000) == clock
