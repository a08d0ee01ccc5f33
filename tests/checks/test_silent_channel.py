from __future__ import annotations

import pytest

from stemprep.checks.silent_channel import SilentChannelRule
from tests.checks.factory import SILENT, found_in, measured_file, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(SilentChannelRule, severity="fail", max_channel_peak_dbfs=-80.0)


@pytest.mark.parametrize(("peaks_dbfs", "is_found"), [
    ((-6.0, SILENT), True), ((-6.0, -80.0), True), ((-6.0, -79.9), False),
    ((-65.0, -81.0), False),    # 16 dB apart: a quiet recording, no dead side
    ((-60.0, -80.0), True),
    ((SILENT, SILENT), False),  # a silent file
])  # fmt: skip
def test_both_sides_of_the_limits(peaks_dbfs: tuple[float, float], is_found: bool) -> None:
    file = measured_file(heard=sound(channels=2, peaks_dbfs=peaks_dbfs))
    assert bool(found_in(file, "silent-channel", RULE)) is is_found


def test_the_dead_side_is_named() -> None:
    file = measured_file(heard=sound(channels=2, peaks_dbfs=(-6.0, SILENT)))
    (finding,) = found_in(file, "silent-channel", RULE)
    assert finding.message == "right: digital silence, while the file peaks at -6.0 dBFS"
    assert (finding.channel, finding.severity) == (2, "fail")


def test_an_unused_channel_of_a_recorder_file_is_a_note() -> None:
    file = measured_file(heard=sound(channels=4, peaks_dbfs=(-6.0, SILENT, -9.0, SILENT)))
    (finding,) = found_in(file, "silent-channel", RULE)
    assert finding.message.startswith("channel 2, channel 4:")
    assert finding.severity == "note"


def test_mono_has_no_sides() -> None:
    assert not found_in(measured_file(), "silent-channel", RULE)
