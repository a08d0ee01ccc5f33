from __future__ import annotations

import pytest

from stemprep.checks.sample_peak import SamplePeakRule
from tests.checks.factory import found_in, measured_file, sound
from tests.shipped import shipped_rule


@pytest.mark.parametrize(("peak_dbfs", "is_found"), [(-6.0, False), (-5.99, True), (-5.996, False)])
def test_both_sides_of_the_limit(peak_dbfs: float, is_found: bool) -> None:
    file = measured_file(heard=sound(peaks_dbfs=(peak_dbfs,)))
    assert (
        bool(found_in(file, "sample-peak", shipped_rule(SamplePeakRule, max_dbfs=-6.0))) is is_found
    )


def test_channel_and_place_of_the_peak() -> None:
    file = measured_file(heard=sound(channels=2, peaks_dbfs=(-9.0, -1.0)))
    (finding,) = found_in(file, "sample-peak", shipped_rule(SamplePeakRule, max_dbfs=-6.0))
    assert finding.message.startswith("the sample peak is -1.00 dBFS right at 0:01.000")
    assert (finding.channel, finding.found, finding.required) == (2, -1.0, -6.0)


def test_no_limit_by_default() -> None:
    assert not found_in(
        measured_file(heard=sound(peaks_dbfs=(0.0,))), "sample-peak", shipped_rule(SamplePeakRule)
    )
