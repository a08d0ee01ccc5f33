from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.model.reconciliation import OriginalStatus, Region
from tests.checks.returns import BASS, LOWER, judged


def test_a_gain_is_told_with_its_place() -> None:
    (finding,) = judged("original-changed", replace(BASS, status="changed", regions=(LOWER,)))
    assert finding.severity == "warn"
    assert finding.file == "Bass.wav"
    assert finding.against == ("data/tracks/Bass.wav",)
    assert (finding.start_sample, finding.end_sample) == (384_000, 480_000)
    assert (finding.found, finding.unit) == (-3.0, "dB")
    assert "3.00 dB lower from 0:08.000 to 0:10.000 (samples 384,000 to 480,000" in finding.message


@pytest.mark.parametrize("status", ["identical", "header-changed", "rewrapped", "missing"])
def test_the_same_sound_is_no_change(status: OriginalStatus) -> None:
    assert judged("original-changed", replace(BASS, status=status)) == []


def test_ordered_work_is_measured_and_not_blamed() -> None:
    ordered = replace(BASS, status="changed", regions=(LOWER,), ordered=("edit",))
    (finding,) = judged("original-changed", ordered)
    assert finding.severity == "note"
    assert finding.message.startswith("as ordered (edit): differs")


def test_several_places_are_counted_and_the_longest_named_first() -> None:
    early = Region(start_sample=0, end_sample=4_800, kind="moved", moved_samples=-96)
    (finding,) = judged("original-changed", replace(BASS, status="changed", regions=(early, LOWER)))
    assert finding.start_sample is None
    assert finding.occurrences is not None
    assert finding.occurrences.count == 2
    assert finding.occurrences.worst[0].start_sample == 384_000
    assert "moved 96 samples (2.0 ms) earlier" in finding.message


def test_another_recording_under_the_same_name() -> None:
    (finding,) = judged("original-changed", replace(BASS, status="changed", is_another=True))
    assert "another recording" in finding.message


def test_a_header_that_says_another_rate_plays_the_same_samples_wrong() -> None:
    mislabelled = replace(BASS, status="header-changed", label_rate_hz=44_100)
    (finding,) = judged("original-changed", mislabelled)
    assert "says 44.1 kHz where they run at 48 kHz" in finding.message
    assert finding.severity == "warn"
