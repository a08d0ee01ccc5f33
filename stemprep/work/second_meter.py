"""Integrated loudness of a mix by an independent implementation, pyloudnorm, in a child process.

It needs the whole file in memory, so it reads at most 15 minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

from stemprep.model.package import SecondReading
from stemprep.package import StagedFile

METER = "pyloudnorm, De Man filters"
MAX_SECONDS = 15 * 60
MAX_CHANNELS = 5
MIN_SECONDS = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondMeterJob:
    """A staged file, with its length and channels as measured."""

    file: StagedFile
    frames: int
    sample_rate_hz: int
    channels: int


def second_reading(job: SecondMeterJob) -> SecondReading:
    """Read the loudness again; None with the reason where the second meter cannot."""
    reason = _reason_against(job)
    if reason:
        return SecondReading(meter=METER, loudness_lufs=None, reason=reason)
    import pyloudnorm  # costs a second to import: only where it is used
    import soundfile

    with job.file.open() as stream:
        samples, rate_hz = soundfile.read(stream, dtype="float64", always_2d=True)
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    loudness_lufs = float(meter.integrated_loudness(samples))
    if loudness_lufs == float("-inf"):
        return SecondReading(meter=METER, loudness_lufs=None, reason="below the gate throughout")
    return SecondReading(meter=METER, loudness_lufs=loudness_lufs)


def _reason_against(job: SecondMeterJob) -> str:
    seconds = job.frames / job.sample_rate_hz
    if seconds < MIN_SECONDS:
        return "shorter than one 0.4 s block"
    if seconds > MAX_SECONDS:
        return "longer than 15 minutes, the second meter's limit"
    if job.channels > MAX_CHANNELS:
        return f"{job.channels} channels, the second meter reads at most {MAX_CHANNELS}"
    return ""
