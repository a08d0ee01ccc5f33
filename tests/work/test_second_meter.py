"""The second meter: agrees with ours where it can read, says why where it cannot."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from stemprep.work.measure import MeasureJob, measure_file
from stemprep.work.second_meter import SecondMeterJob, second_reading
from tests import signals
from tests.package.staged import staged
from tests.shipped import measure_settings


def _mix(seconds: float, rate_hz: int, level_dbfs: float) -> signals.Planar:
    mix = signals.noise(peak_dbfs=-30, seconds=seconds, rate_hz=rate_hz, channels=2, seed=4)
    for number in range(int(seconds)):
        note = signals.pluck(
            peak_dbfs=level_dbfs, seconds=0.9, rate_hz=rate_hz, channels=2, seed=number
        )
        mix[:, number * rate_hz : number * rate_hz + note.shape[1]] += note * [[1.0], [0.6]]
    return np.clip(mix, -1.0, 1.0)


def _job(path: Path, frames: int, rate_hz: int, channels: int = 2) -> SecondMeterJob:
    return SecondMeterJob(
        file=staged(path), frames=frames, sample_rate_hz=rate_hz, channels=channels
    )


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("level_dbfs", [-6.0, -26.0])
def test_agrees_within_a_tenth(tmp_path: Path, rate_hz: int, level_dbfs: float) -> None:
    """Two conforming meters: EBU Tech 3341, table 1, allows each 0.1 LU."""
    mix = _mix(4.0, rate_hz, level_dbfs)
    path = signals.write_wav(tmp_path / "mix.wav", mix, rate_hz=rate_hz)
    ours = measure_file(
        MeasureJob(
            root=str(tmp_path),
            raw_path=os.fsencode("mix.wav"),
            name="mix.wav",
            settings=measure_settings(),
        )
    )
    theirs = second_reading(_job(path, mix.shape[1], rate_hz))
    assert theirs.reason == ""
    assert ours.sound is not None
    assert theirs.loudness_lufs == pytest.approx(ours.sound.loudness.loudness_lufs, abs=0.1)


@pytest.mark.parametrize(
    ("frames", "channels", "reason"),
    [
        (19_199, 2, "shorter than one 0.4 s block"),
        (15 * 60 * 48_000 + 1, 2, "longer than 15 minutes"),
        (480_000, 6, "6 channels"),
    ],
)
def test_tells_why_it_does_not_read(frames: int, channels: int, reason: str) -> None:
    """It is decided from the format: the file is not even opened."""
    reading = second_reading(_job(Path("not-there.wav"), frames, 48_000, channels))
    assert reading.loudness_lufs is None
    assert reason in reading.reason


def test_silence_has_no_loudness(tmp_path: Path) -> None:
    path = signals.write_wav(tmp_path / "mix.wav", np.zeros((2, 48_000)))
    reading = second_reading(_job(path, 48_000, 48_000))
    assert reading.loudness_lufs is None
    assert "gate" in reading.reason
