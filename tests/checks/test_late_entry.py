from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.model.reconciliation import RecordingOffset
from tests.checks.returns import GUITAR, judged


def test_a_late_take_is_told_with_its_samples() -> None:
    (finding,) = judged("late-entry", replace(GUITAR, late_samples=1_200))
    assert (finding.severity, finding.file) == ("warn", "Guitar OD.wav")
    assert (finding.found, finding.unit) == (1_200, "samples")
    assert "1,200 samples (25.00 ms) late" in finding.message
    assert "--move FILE" in finding.advice


@pytest.mark.parametrize("late", [None, 0, 48, -48, 95, -95])
def test_on_time_or_unknown_is_nothing(late: int | None) -> None:
    """2 ms at 48 kHz are 96 samples."""
    assert judged("late-entry", replace(GUITAR, late_samples=late)) == []


@pytest.mark.parametrize(
    ("late", "severity"), [(96, "note"), (720, "note"), (721, "warn"), (-96, "warn")]
)
def test_what_loudspeakers_may_explain_is_a_note(late: int, severity: str) -> None:
    """15 ms at 48 kHz are 720 samples, 5.1 m of air; nothing comes early from a loudspeaker."""
    (finding,) = judged("late-entry", replace(GUITAR, late_samples=late))
    assert finding.severity == severity
    assert ("loudspeakers" in finding.message) == (severity == "note")


def test_one_lag_of_all_takes_is_told_once() -> None:
    names = ("Choir.wav", "Guitar OD.wav", "Horn.wav")
    takes = [replace(GUITAR, file=name, late_samples=1_024) for name in names]
    (finding,) = judged("late-entry", *takes, offset=RecordingOffset(samples=1_024, files=names))
    assert finding.files == names
    assert finding.file is None
    assert "recording offset" in finding.message


def test_another_rate_or_word_than_the_session_is_told_against_the_session() -> None:
    odd = replace(GUITAR.format, sample_rate_hz=44_100)
    (finding,) = judged("mixed-formats", replace(GUITAR, format=odd))
    assert finding.message == "44.1 kHz, while the session is 48 kHz"
    assert (finding.found, finding.required, finding.unit) == (44_100, 48_000, "Hz")
    assert judged("mixed-formats", GUITAR) == []
