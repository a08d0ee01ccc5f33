from __future__ import annotations

import pytest

from stemprep.checks.sample_peak import SamplePeakRule
from stemprep.checks.true_peak import TruePeakRule
from tests.checks.factory import found_in, judged, measured_file, sound
from tests.shipped import shipped_rule


@pytest.mark.parametrize(("peak_dbtp", "is_found"), [(0.0, False), (0.0006, False), (0.01, True)])
def test_both_sides_of_the_limit(peak_dbtp: float, is_found: bool) -> None:
    """A single sample at full scale reads a few 1e-4 dB over it: compared as it is told."""
    file = measured_file(heard=sound(peaks_dbfs=(-0.2,), true_peak_dbtp=peak_dbtp))
    assert bool(found_in(file, "true-peak", shipped_rule(TruePeakRule, max_dbtp=0.0))) is is_found


def test_both_peaks_are_told() -> None:
    file = measured_file(heard=sound(peaks_dbfs=(-0.2,), true_peak_dbtp=0.3))
    (finding,) = found_in(file, "true-peak", shipped_rule(TruePeakRule, max_dbtp=0.0))
    assert "+0.30 dBTP (sample peak -0.20 dBFS)" in finding.message


def test_no_limit_by_default() -> None:
    file = measured_file(heard=sound(true_peak_dbtp=3.0))
    assert not found_in(file, "true-peak", shipped_rule(TruePeakRule))


def test_a_sample_peak_over_its_limit_explains_the_true_peak() -> None:
    file = measured_file(heard=sound(peaks_dbfs=(0.0,), true_peak_dbtp=0.4))
    judgement = judged(
        file,
        sample_peak=shipped_rule(SamplePeakRule, max_dbfs=-1.0),
        true_peak=shipped_rule(TruePeakRule, max_dbtp=-1.0),
    )
    assert [finding.check for finding in judgement.findings] == ["sample-peak"]
