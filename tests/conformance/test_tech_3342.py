"""EBU Tech 3342 (loudness range), minimum requirements: 1 to 4, tolerance +/-1 LU.

The tolerance is the document's; two plain levels must do far better here. 5 and 6 are
recordings that may not be passed on.
"""

from __future__ import annotations

import pytest

from tests.conformance import ebu_signals
from tests.measure.feed import measure


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize(
    ("levels", "expected_lu"),
    [
        pytest.param([-20.0, -30.0], 10, id="1"),
        pytest.param([-20.0, -15.0], 5, id="2"),
        pytest.param([-40.0, -20.0], 20, id="3"),
        pytest.param([-50.0, -35.0, -20.0, -35.0, -50.0], 15, id="4"),
    ],
)
def test_1_to_4(levels: list[float], expected_lu: float, rate_hz: int) -> None:
    samples = ebu_signals.steps([(20, level) for level in levels], rate_hz)
    loudness = measure(samples, rate_hz=rate_hz).loudness
    assert loudness.loudness_range_lu == pytest.approx(expected_lu, abs=0.1)
    assert loudness.is_range_meaningful == (20 * len(levels) >= 60)
