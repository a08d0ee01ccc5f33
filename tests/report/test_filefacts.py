"""What the report tells of a file beside findings: only what could be measured."""

from __future__ import annotations

from dataclasses import replace

from stemprep.model.facts import (
    BandwidthFacts,
    CodecTraceFacts,
    HumFacts,
    PauseFacts,
    Sound,
    StereoFacts,
)
from stemprep.report.filefacts import brief_facts, file_facts, past_of
from tests.checks.factory import measured_file, runs, sound
from tests.report import factory


def told(heard: Sound) -> dict[str, str]:
    return dict(file_facts(measured_file(heard=heard)))


def test_nothing_is_told_of_what_was_not_measured() -> None:
    lines = told(sound())
    assert not {"Noise in the pauses", "Mains hum", "Spectrum ends at"} & set(lines)
    assert "Level in the mono sum" not in lines


def test_noise_and_hum_between_the_notes() -> None:
    hum = HumFacts(mains_hz=50, channel=1, level_dbfs=-61.8, partials_hz=(50, 100, 150))
    pauses = PauseFacts(noise_floor_dbfs=-58.25, range_db=40.0, hum=hum)
    lines = told(replace(sound(), pauses=pauses))
    assert lines["Noise in the pauses"] == "-58.2 dBFS RMS"
    assert lines["Mains hum"] == "-61.8 dBFS RMS, at 50, 100 and 150 Hz"
    assert "Mains hum" not in told(replace(sound(), pauses=replace(pauses, hum=None)))


def test_where_the_spectrum_ends() -> None:
    ends = BandwidthFacts(ends_like_rate_hz=44_100, drop_db=61.0)
    lines = told(replace(sound(), bandwidth=ends))
    assert lines["Spectrum ends at"] == "22.05 kHz, as at a sample rate of 44.1 kHz"


def test_what_a_mono_sum_loses() -> None:
    stereo = StereoFacts(
        correlation=-0.4, is_identical=False, difference_peak_dbfs=-3.0, mono_sum_change_db=-5.23
    )
    lines = told(replace(sound(channels=2), stereo=stereo))
    assert lines["L/R correlation"] == "-0.40"
    assert lines["Level in the mono sum"] == "-5.2 dB (unrelated sides -3.0)"
    vanished = replace(stereo, mono_sum_change_db=-float("inf"))
    heard = replace(sound(channels=2), stereo=vanished)
    assert told(heard)["Level in the mono sum"] == "-inf dB (unrelated sides -3.0)"


def test_a_file_that_could_not_be_decoded_is_not_told_as_empty() -> None:
    """An MP3 that calls itself WAV has a length that nobody read; 0:00.000 would be a claim."""
    file = factory.unreadable_file("Voice.wav")
    assert brief_facts(file)[0] == "not known"
    assert dict(file_facts(file))["Length"] == "not known"


def test_what_a_file_went_through_stands_in_one_line() -> None:
    trace = CodecTraceFacts(
        family="MP3",
        frame_samples=576,
        offset_samples=48,
        zero_share=0.31,
        typical_share=0.04,
        confidence=0.97,
    )
    heard = replace(
        sound(effective_bit_depth=16, flat_tops=runs((1, 0, 9), (1, 20, 29), (1, 40, 49)),
              flat_top_dbfs=-3.0),
        codec_trace=trace,
    )  # fmt: skip
    assert past_of(measured_file(heard=heard)) == (
        "MP3 (31% of its coefficients near zero, 4% by chance)",
        "words of 16 bits (all lower ones are 0 in every sample)",
        "a clip or limiter, then another level (3 flat tops at -3.0 dBFS)",
    )
    assert dict(file_facts(measured_file(heard=heard)))["Been through"].startswith("MP3 (31%")


def test_nothing_is_said_of_a_past_without_evidence() -> None:
    assert past_of(measured_file()) == ()
    assert "Been through" not in dict(file_facts(measured_file()))
