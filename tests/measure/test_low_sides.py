"""Left and right in the low end: two microphones of a pair, one of them wired the other way."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.dsp.cells import Reblocker, chunk_frames
from stemprep.measure.low_band import LowBand
from stemprep.measure.low_sides import LowSides
from tests.bench.bench_sides import RATE_HZ, Sound, pair


def low_correlation(samples: Sound, rate_hz: int = RATE_HZ) -> float | None:
    sides = LowSides()
    band, chunks = LowBand(rate_hz, sides), Reblocker(chunk_frames(2))
    for chunk in (*chunks.push(samples), *chunks.flush()):
        band.add(chunk)
    band.finish()
    return sides.correlation()


def test_one_tone_on_both_sides() -> None:
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = 0.1 * np.sin(2 * np.pi * 50 * time_s)
    assert low_correlation(np.stack([tone, tone])) == 1.0
    assert low_correlation(np.stack([tone, -0.2 * tone])) == -1.0
    quarter = 0.1 * np.cos(2 * np.pi * 50 * time_s)
    middle = low_correlation(np.stack([tone, quarter]))
    assert middle == pytest.approx(0.0, abs=0.1)


def test_without_a_low_end_nothing_is_said() -> None:
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    high = 0.1 * np.sin(2 * np.pi * 6_000 * time_s)
    assert low_correlation(np.zeros((2, RATE_HZ))) is None
    assert low_correlation(np.stack([high, -high])) is None
    assert low_correlation(np.stack([high, -high])[:, : RATE_HZ // 2]) is None


@pytest.mark.parametrize("seed", range(3_001, 3_013, 2))
def test_pairs_of_microphones_in_a_room(seed: int) -> None:
    """Up to 2.5 m apart, with reflections; from the half of the bench that no limit was set by."""
    left, right = pair(seed)
    as_it_is = low_correlation(np.stack([left, right]))
    inverted = low_correlation(np.stack([left, -right]))
    assert as_it_is is not None
    assert inverted is not None
    assert as_it_is > -0.6
    assert inverted < 0.2
