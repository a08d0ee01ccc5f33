from __future__ import annotations

import pytest

from stemprep.checks.dc_offset import DcOffsetRule
from tests.checks.factory import found_in, measured_file, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(DcOffsetRule, max_dbfs=-40.0, min_duration_s=0.5)


@pytest.mark.parametrize(("offset", "is_found"), [
    (0.01, False),      # -40 dBFS: 20 log10(0.01)
    (-0.0101, True), (0.0, False),
])  # fmt: skip
def test_both_sides_of_the_limit(offset: float, is_found: bool) -> None:
    file = measured_file(heard=sound(dc_offset=(offset,)))
    assert bool(found_in(file, "dc-offset", RULE)) is is_found


def test_every_channel_over_the_limit_is_named() -> None:
    file = measured_file(heard=sound(channels=2, dc_offset=(0.02, -0.1)))
    (finding,) = found_in(file, "dc-offset", RULE)
    assert finding.message.startswith("DC offset of -34.0 dBFS in left, -20.0 dBFS in right")
    assert (finding.channel, finding.found, finding.repair) == (2, -20.0, "remove-dc")


@pytest.mark.parametrize(("frames", "is_found"), [(23_999, False), (24_000, True)])
def test_short_files_are_not_judged(frames: int, is_found: bool) -> None:
    file = measured_file(heard=sound(frames=frames, dc_offset=(0.1,)))
    assert bool(found_in(file, "dc-offset", RULE)) is is_found
