"""Figures as people read them; expected values by hand."""

from __future__ import annotations

import math

import pytest

from stemprep.report import figures
from tests.report.factory import audio_format


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (-3.24, "-3.2 dBFS"),
        (0.31, "+0.3 dBFS"),
        (0.0, "0.0 dBFS"),
        (0.04, "+0.0 dBFS"),
        (-0.04, "-0.0 dBFS"),
        (-math.inf, "-inf dBFS"),
        (None, "not known"),
        (math.nan, "not known"),
    ],
)
def test_level(value: float | None, expected: str) -> None:
    assert figures.level(value, "dBFS") == expected


@pytest.mark.parametrize(
    ("hz", "expected"), [(44_100, "44.1 kHz"), (48_000, "48 kHz"), (11_025, "11.025 kHz")]
)
def test_rate(hz: int, expected: str) -> None:
    assert figures.rate(hz) == expected


def test_format_words() -> None:
    assert figures.format_words(audio_format()) == "WAV, 48 kHz, 24-bit, stereo"
    assert (
        figures.format_words(audio_format(encoding="float", bit_depth=32, container_bits=32))
        == "WAV, 48 kHz, 32-bit float, stereo"
    )
    assert figures.word_length(audio_format(bit_depth=20)) == "20-bit in 24"
    assert figures.word_length(audio_format(encoding="lossy")) == "lossy"
    assert figures.channels(6) == "6 channels"
    assert figures.format_words(None) == "not understood"


def test_times_and_sizes() -> None:
    assert figures.length(10_598_400, 48_000) == "3:40.800"
    assert figures.length(100, None) == "100 samples"
    assert figures.start(172_800_000, 48_000) == "01:00:00.000 (sample 172,800,000)"
    assert figures.start(None, 48_000) == "no time reference"
    assert figures.size(1) == "1 byte"
    assert figures.size(999) == "999 bytes"
    assert figures.size(63_590_444) == "63.6 MB"
    assert figures.size(999_960_000) == "1.0 GB"
    assert figures.size(5 * 10**12) == "5.0 TB"


def test_lists() -> None:
    assert figures.and_list([]) == ""
    assert figures.and_list(["a"]) == "a"
    assert figures.and_list(["a", "b", "c"]) == "a, b and c"
    assert figures.plural(1, "file") == "1 file"
    assert figures.plural(2, "entry", "entries") == "2 entries"
    assert figures.tally(["mix", "stem", "stem"]) == "1 mix, 2 stem"
    assert figures.channel_name(2, 2) == "right"
    assert figures.channel_name(1, 1) == ""
    assert figures.channel_name(5, 6) == "channel 5"
