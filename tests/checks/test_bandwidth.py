from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.checks.bandwidth import BandwidthRule
from stemprep.model.facts import BandwidthFacts
from stemprep.model.session import MeasuredFile
from tests.checks.factory import found_in, measured_file, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(BandwidthRule, min_drop_db=40.0)


def converted(drop_db: float | None, rate_hz: int | None = 44_100) -> MeasuredFile:
    bandwidth = BandwidthFacts(ends_like_rate_hz=rate_hz, drop_db=drop_db)
    return measured_file(heard=replace(sound(), bandwidth=bandwidth), rate_hz=96_000)


@pytest.mark.parametrize(("drop_db", "is_found"), [(40.0, True), (39.9, False), (None, False)])
def test_both_sides_of_the_limit(drop_db: float | None, is_found: bool) -> None:
    assert bool(found_in(converted(drop_db), "bandwidth", RULE)) is is_found


def test_message_tells_both_rates() -> None:
    (finding,) = found_in(converted(58.4), "bandwidth", RULE)
    assert finding.message == (
        "looks converted up from 44.1 kHz: next to nothing above 22.05 kHz "
        "(the spectrum falls by 58 dB there; the file is at 96 kHz)"
    )
    assert (finding.found, finding.required, finding.unit) == (44_100, 96_000, "Hz")


def test_a_spectrum_that_goes_on_is_nothing_to_tell() -> None:
    assert not found_in(converted(None, None), "bandwidth", RULE)
