"""Speed of a take against the mix that leaked into it, on takes made here."""

from __future__ import annotations

import numpy as np
import pytest
import soxr

from stemprep.timing.speed import find_speed
from stemprep.units import ratio_from_db
from tests.lineage.takes import RATE_HZ, Planar, take

SECONDS = 45.0
LOW_HZ = 12_000


def mix() -> Planar:
    return np.asarray(sum(take(seed, SECONDS)[0] for seed in (1, 2, 3, 4)) * 0.5)


def at_low_rate(sound: Planar) -> np.ndarray[tuple[int], np.dtype[np.float32]]:
    return soxr.resample(sound, RATE_HZ, LOW_HZ).astype(np.float32)


def played(seed: int, leak_db: float | None, *, ppm: float = 0.0, late: int = 0) -> Planar:
    """A take with the mix in it, as long as so many parts in a million more."""
    own = take(seed, SECONDS)[0]
    if leak_db is not None:
        leak = np.concatenate([np.zeros(late), mix()[: len(own) - late]])
        own = own + ratio_from_db(leak_db) * np.std(own) / np.std(leak) * leak
    return soxr.resample(own, RATE_HZ, RATE_HZ * (1 + ppm / 1e6), quality="VHQ") if ppm else own


@pytest.mark.parametrize("ppm", [-250.0, -60.0, -30.0, 15.0, 30.0, 60.0, 250.0])
@pytest.mark.parametrize("late", [0, 324])
def test_a_clock_of_its_own_is_measured(ppm: float, late: int) -> None:
    """The tracks' clock is exact here: soxr resamples by the very ratio."""
    found = find_speed(at_low_rate(played(13, -30, ppm=ppm, late=late)), at_low_rate(mix()), LOW_HZ)
    assert found is not None
    assert found.ppm == pytest.approx(ppm, abs=1.0)
    assert found.peak.lag_samples * RATE_HZ / LOW_HZ == pytest.approx(late, abs=4)


@pytest.mark.parametrize(("seed", "leak_db"), [(11, -20), (12, -25), (16, -30)])
def test_one_clock_has_no_drift(seed: int, leak_db: float) -> None:
    found = find_speed(at_low_rate(played(seed, leak_db, late=50)), at_low_rate(mix()), LOW_HZ)
    assert found is not None
    assert found.ppm == 0.0


@pytest.mark.parametrize("seed", range(20, 32))
def test_where_nothing_leaked_no_speed_is_found(seed: int) -> None:
    assert find_speed(at_low_rate(played(seed, None)), at_low_rate(mix()), LOW_HZ) is None


def test_too_short_to_tell() -> None:
    assert find_speed(at_low_rate(played(1, -20))[:20_000], at_low_rate(mix()), LOW_HZ) is None
