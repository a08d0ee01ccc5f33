from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.checks.hum import HumRule
from stemprep.model.facts import HumFacts, PauseFacts
from stemprep.model.session import MeasuredFile
from tests.checks.factory import found_in, measured_file, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(HumRule, max_dbfs=-75.0)


def humming(level_dbfs: float) -> MeasuredFile:
    hum = HumFacts(mains_hz=60, channel=1, level_dbfs=level_dbfs, partials_hz=(60, 180))
    return measured_file(heard=replace(sound(channels=2), pauses=PauseFacts(hum=hum)))


@pytest.mark.parametrize(("level_dbfs", "is_found"), [(-75.0, False), (-74.9, True)])
def test_both_sides_of_the_limit(level_dbfs: float, is_found: bool) -> None:
    assert bool(found_in(humming(level_dbfs), "hum", RULE)) is is_found


def test_message_tells_the_partials() -> None:
    (finding,) = found_in(humming(-62.34), "hum", RULE)
    assert "mains hum of -62.3 dBFS RMS in left (steady at 60, 180 Hz)" in finding.message
    assert (finding.channel, finding.found, finding.required) == (1, -62.34, -75.0)


def test_without_hum_there_is_nothing_to_tell() -> None:
    assert not found_in(measured_file(), "hum", RULE)
