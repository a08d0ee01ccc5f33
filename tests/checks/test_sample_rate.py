from __future__ import annotations

import pytest

from stemprep.checks.sample_rate import SampleRateRule
from tests.checks.factory import found_in, measured_file
from tests.shipped import shipped_rule


def test_a_rate_outside_the_list_can_be_converted() -> None:
    rule = shipped_rule(SampleRateRule, accepted_hz=(48_000,))
    (finding,) = found_in(measured_file(rate_hz=44_100), "sample-rate", rule)
    assert (finding.found, finding.required, finding.unit) == (44_100, 48_000, "Hz")
    assert finding.repair == "convert-rate"
    assert "44.1 kHz" in finding.message


@pytest.mark.parametrize(("rate_hz", "is_found"), [
    (7_999, True), (8_000, False), (384_000, False), (384_001, True),
])  # fmt: skip
def test_without_a_list_any_workable_rate_passes(rate_hz: int, is_found: bool) -> None:
    findings = found_in(measured_file(rate_hz=rate_hz), "sample-rate", shipped_rule(SampleRateRule))
    assert bool(findings) is is_found
    assert all(finding.repair is None for finding in findings)
