from __future__ import annotations

import pytest

from stemprep.checks.channel_count import ChannelCountRule
from tests.checks.factory import found_in, measured_file, sound
from tests.shipped import shipped_rule


@pytest.mark.parametrize(("channels", "is_found"), [(1, False), (2, False), (3, True), (16, True)])
def test_mono_and_stereo_by_default(channels: int, is_found: bool) -> None:
    file = measured_file(heard=sound(channels=channels))
    findings = found_in(file, "channel-count", shipped_rule(ChannelCountRule))
    assert bool(findings) is is_found
    assert all(finding.repair == "split" for finding in findings)


def test_two_channels_cannot_be_made_from_one() -> None:
    (finding,) = found_in(
        measured_file(), "channel-count", shipped_rule(ChannelCountRule, accepted=(2,))
    )
    assert finding.repair is None
    assert finding.message == "the file has 1 channel, 2 required"


def test_an_empty_list_accepts_all() -> None:
    file = measured_file(heard=sound(channels=64))
    assert not found_in(file, "channel-count", shipped_rule(ChannelCountRule, accepted=()))
