from __future__ import annotations

import pytest

from stemprep.checks.loudness import LoudnessRule
from tests.checks.factory import found_in, measured_file, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(LoudnessRule, min_lufs=-24.0, max_lufs=-22.0)


@pytest.mark.parametrize(("lufs", "required"), [
    (-24.01, -24.0), (-24.0, None), (-22.0, None), (-21.99, -22.0), (None, None),
])  # fmt: skip
def test_both_sides_of_both_limits(lufs: float | None, required: float | None) -> None:
    findings = found_in(measured_file(heard=sound(loudness_lufs=lufs)), "loudness", RULE)
    assert [finding.required for finding in findings] == ([] if required is None else [required])


def test_no_limit_by_default() -> None:
    assert not found_in(
        measured_file(heard=sound(loudness_lufs=-3.0)), "loudness", shipped_rule(LoudnessRule)
    )
