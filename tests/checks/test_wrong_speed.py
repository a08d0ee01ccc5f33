from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.model.reconciliation import TakeSpeed
from tests.checks.returns import GUITAR, judged

PULLED = TakeSpeed(ratio=1.001, error_ppm=1.0, cause="pull", evidence="mix")


def test_a_take_at_the_sessions_speed_is_nothing() -> None:
    assert judged("wrong-speed", GUITAR) == []


def test_a_pull_down_is_told_with_what_it_moves() -> None:
    """480,000 samples at 48 kHz are 10 s: 9.99 ms later at its end."""
    (finding,) = judged("wrong-speed", replace(GUITAR, speed=PULLED))
    assert (finding.severity, finding.file, finding.found) == ("warn", "Guitar OD.wav", 1.001)
    assert "+1,000.0 ppm" in finding.message
    assert "at its end it is 9.99 ms later than at its start" in finding.message
    assert "undo_stretch" in finding.advice


@pytest.mark.parametrize(("ppm", "severity"), [(15, "note"), (-190, "note"), (210, "warn")])
def test_two_clocks_matter_by_what_they_move(ppm: float, severity: str) -> None:
    """Ten seconds at 200 ppm are 2 ms."""
    clock = TakeSpeed(ratio=1 + ppm / 1e6, error_ppm=1.0, cause="clock", evidence="mix")
    (finding,) = judged("wrong-speed", replace(GUITAR, speed=clock))
    assert finding.severity == severity


def test_a_wrong_label_names_both_rates() -> None:
    label = TakeSpeed(ratio=0.91875, error_ppm=1.0, cause="label", evidence="length")
    (finding,) = judged("wrong-speed", replace(GUITAR, speed=label))
    assert "sound of 44.1 kHz under a header that says 48 kHz" in finding.message
    assert "by its length alone" in finding.message
