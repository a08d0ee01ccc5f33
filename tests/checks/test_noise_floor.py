from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.checks.noise_floor import NoiseFloorRule
from stemprep.model.facts import HumFacts, PauseFacts
from stemprep.model.session import MeasuredFile
from tests.checks.factory import found_in, measured_file, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(NoiseFloorRule, max_dbfs=-60.0)


def noisy(floor_dbfs: float | None, hum_dbfs: float | None = None) -> MeasuredFile:
    hum = (
        None
        if hum_dbfs is None
        else HumFacts(mains_hz=50, channel=1, level_dbfs=hum_dbfs, partials_hz=(50, 100))
    )
    pauses = PauseFacts(noise_floor_dbfs=floor_dbfs, channel=2, range_db=40.0, hum=hum)
    return measured_file(heard=replace(sound(channels=2), pauses=pauses))


@pytest.mark.parametrize(
    ("floor_dbfs", "is_found"), [(-60.0, False), (-59.75, True), (None, False)]
)
def test_both_sides_of_the_limit(floor_dbfs: float | None, is_found: bool) -> None:
    assert bool(found_in(noisy(floor_dbfs), "noise-floor", RULE)) is is_found


def test_message_tells_level_and_side() -> None:
    (finding,) = found_in(noisy(-48.0), "noise-floor", RULE)
    assert finding.message.startswith("noise between the notes of -48.0 dBFS RMS in right")
    assert (finding.channel, finding.found, finding.required) == (2, -48.0, -60.0)


@pytest.mark.parametrize(("hum_dbfs", "is_found"), [(-48.9, False), (-49.5, True), (None, True)])
def test_noise_that_is_hum_is_told_as_hum(hum_dbfs: float | None, is_found: bool) -> None:
    assert bool(found_in(noisy(-48.0, hum_dbfs), "noise-floor", RULE)) is is_found
