from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.model.timecode import FRAME_RATES, FrameRate, parse_timecode, timecode_of_frame
from stemprep.timeline import sample_of_timecode, timecode_of_sample
from stemprep.timeline.timecode import second_of_timecode

rates = st.sampled_from(FRAME_RATES)


@pytest.mark.parametrize(
    ("text", "frame"),
    [
        ("00:00:59;29", 1_799),
        ("00:01:00;02", 1_800),  # the numbers 00 and 01 of this minute do not exist
        ("00:09:59;29", 17_981),
        ("00:10:00;00", 17_982),
        ("01:00:00;00", 107_892),
        ("23:59:59;29", 2_589_407),
    ],
)
def test_drop_frame(text: str, frame: int) -> None:
    """SMPTE ST 12-1, drop-frame compensation: two numbers left out in 54 minutes of an hour, so
    17,982 in ten minutes, 107,892 an hour, 2,589,408 a day. The figures are as makers of
    equipment publish them; the standard's own text was not at hand.
    """
    assert parse_timecode(text, "29.97-drop").frame_number == frame
    assert str(timecode_of_frame(frame, "29.97-drop")) == text


def test_drop_frame_follows_the_clock() -> None:
    """An hour of drop frame is 3.6 ms short of an hour of time; one without is 3.6 s too long,
    as published everywhere.

    107,892 and 108,000 frames of 1001/30000 s: 3599.9964 s and 3603.6 s.
    """
    drop = parse_timecode("01:00:00;00", "29.97-drop")
    plain = parse_timecode("01:00:00:00", "29.97")
    assert second_of_timecode(drop) == Fraction(35_999_964, 10_000)
    assert second_of_timecode(plain) == Fraction(36_036, 10)
    assert sample_of_timecode(drop, 48_000) == 172_799_827  # 172,799,827.2
    assert sample_of_timecode(plain, 48_000) == 172_972_800


@pytest.mark.parametrize(
    ("text", "frame_rate", "rate_hz", "sample"),
    [
        ("01:00:00:00", "25", 48_000, 172_800_000),
        ("00:00:00:01", "25", 48_000, 1_920),
        ("00:00:00:01", "24", 48_000, 2_000),
        ("00:00:00:01", "30", 48_000, 1_600),
        ("00:00:00:01", "24", 44_100, 1_838),  # 1837.5, halves up
        ("00:00:00:01", "29.97", 48_000, 1_602),  # 1601.6
        ("00:00:00:05", "29.97", 48_000, 8_008),  # five frames are 8,008 samples
        ("01:00:00:00", "23.976", 48_000, 172_972_800),  # 86,400 x 1001/24000 s
    ],
)
def test_samples(text: str, frame_rate: FrameRate, rate_hz: int, sample: int) -> None:
    """Frame x rate / (frames a second); 8,008 samples in five frames as in SMPTE ST 272."""
    timecode = parse_timecode(text, frame_rate)
    assert sample_of_timecode(timecode, rate_hz) == sample
    assert timecode_of_sample(sample, rate_hz, frame_rate) == (timecode, 0)


def test_the_sample_before_a_frame_that_was_rounded_up() -> None:
    """24 frames at 44.1 kHz: frame 1 begins at 1837.5, rounded up, so sample 1837 is in frame 0."""
    first, second = (parse_timecode(f"00:00:00:0{frame}", "24") for frame in (0, 1))
    assert timecode_of_sample(1_837, 44_100, "24") == (first, 1_837)
    assert timecode_of_sample(1_838, 44_100, "24") == (second, 0)


@given(rates, st.integers(0, 2_500_000_000))
def test_address_and_number_are_inverse(frame_rate: FrameRate, number: int) -> None:
    timecode = timecode_of_frame(number, frame_rate)
    assert parse_timecode(str(timecode), frame_rate) == timecode
    day = timecode_of_frame(-1, frame_rate).frame_number + 1
    assert timecode.frame_number == number % day


@given(rates, st.sampled_from([44_100, 48_000, 88_200, 96_000, 192_000]), st.integers(0, 10**10))
def test_a_sample_lies_in_one_frame(frame_rate: FrameRate, rate_hz: int, sample: int) -> None:
    sample %= 86_000 * rate_hz
    timecode, inside = timecode_of_sample(sample, rate_hz, frame_rate)
    assert inside >= 0
    assert sample_of_timecode(timecode, rate_hz) + inside == sample
    following = timecode_of_frame(timecode.frame_number + 1, frame_rate)
    assert sample_of_timecode(following, rate_hz) > sample


@pytest.mark.parametrize(
    ("text", "frame_rate", "reason"),
    [
        ("1:00:00:00", "25", "not of the form"),
        ("24:00:00:00", "25", "no time of a day"),
        ("01:60:00:00", "25", "no time of a day"),
        ("01:00:00:25", "25", "end at 24"),
        ("01:00:00:24", "23.976", "end at 23"),
        ("01:00:00;00", "30", "drop frame"),
        ("01:01:00;01", "29.97-drop", "does not exist"),
    ],
)
def test_what_names_no_frame(text: str, frame_rate: FrameRate, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        parse_timecode(text, frame_rate)


def test_colons_are_taken_for_drop_frame_too() -> None:
    assert str(parse_timecode("01:00:00:00", "29.97-drop")) == "01:00:00;00"
