"""EBU Tech 3285: layout by offset, loudness rounding, texts, malformed chunks."""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.containers.bext import build_bext, parse_bext
from stemprep.model.header import Bext
from tests.containers.riff_builder import chunk, fmt, frames_read, header_of, riff, sound

FULL = Bext(
    version=2,
    description="Kick in, take 3",
    originator="Field recorder",
    originator_reference="ZZABC0001",
    origination_date="2024-05-17",
    origination_time="14:30:00",
    time_reference_samples=172_800_000,
    umid=bytes(range(64)),
    loudness_lufs=-22.65,
    loudness_range_lu=8.0,
    max_true_peak_dbtp=-1.5,
    max_momentary_lufs=-18.25,
    max_short_term_lufs=0.0,
    coding_history="A=PCM,F=48000,W=24,M=mono\r\n",
)


def test_every_field_stands_at_its_published_offset() -> None:
    """EBU Tech 3285 v2 (May 2011), table of the chunk; 01:00:00:00 at 48 kHz = 172,800,000."""
    payload = build_bext(FULL)
    assert payload[0:256] == b"Kick in, take 3".ljust(256, b"\0")
    assert payload[256:288] == b"Field recorder".ljust(32, b"\0")
    assert payload[288:320] == b"ZZABC0001".ljust(32, b"\0")
    assert payload[320:330] == b"2024-05-17"
    assert payload[330:338] == b"14:30:00"
    assert struct.unpack_from("<II", payload, 338) == (172_800_000, 0)
    assert struct.unpack_from("<H", payload, 346) == (2,)
    assert payload[348:412] == bytes(range(64))
    assert struct.unpack_from("<5h", payload, 412) == (-2265, 800, -150, -1825, 0)
    assert payload[422:602] == bytes(180)
    assert payload[602:] == b"A=PCM,F=48000,W=24,M=mono\r\n"


def test_time_reference_uses_both_words() -> None:
    payload = build_bext(replace(FULL, time_reference_samples=2**32 * 3 + 7))
    assert struct.unpack_from("<II", payload, 338) == (7, 3)


@pytest.mark.parametrize(
    ("value", "code"),
    [
        (-22.644, -2264),
        (-22.645, -2265),
        (22.645, 2265),
        (-22.655, -2266),
        (0.0, 0),
        (None, 0x7FFF),
        (float("-inf"), 0x7FFF),
        (float("nan"), 0x7FFF),
        (327.67, 0x7FFF),
        (1e9, 0x7FFF),
    ],
)
def test_loudness_is_rounded_half_away_from_zero(value: float | None, code: int) -> None:
    """EBU Tech 3285 v2: round(100 x); -22.645 -> -2265 is its own example (from memory)."""
    payload = build_bext(replace(FULL, loudness_lufs=value))
    assert struct.unpack_from("<h", payload, 412) == (code,)


def test_loudness_before_version_2_is_no_loudness() -> None:
    payload = bytearray(build_bext(FULL))
    payload[346:348] = struct.pack("<H", 1)
    bext, problem = parse_bext(bytes(payload))
    assert problem == ""
    assert bext is not None
    assert bext.loudness_lufs is None
    assert bext.umid == bytes(range(64))
    payload[346:348] = struct.pack("<H", 0)
    bext, _ = parse_bext(bytes(payload))
    assert bext is not None
    assert bext.umid == b""


def test_coding_history_lines_end_with_cr_lf_whatever_they_ended_with() -> None:
    """EBU R 98: one line a generation, each ended CR LF."""
    payload = build_bext(replace(FULL, coding_history="A=ANALOGUE\nA=PCM,F=48000\r\n\r\nA=PCM"))
    assert payload[602:] == b"A=ANALOGUE\r\nA=PCM,F=48000\r\nA=PCM\r\n"


def test_text_is_cut_at_a_whole_character() -> None:
    payload = build_bext(replace(FULL, originator="x" * 31 + "\u00e9"))
    assert payload[256:288] == b"x" * 31 + b"\0"


def test_latin_1_text_is_read_too() -> None:
    payload = bytearray(build_bext(FULL))
    payload[0:5] = b"Caf\xe9\0"
    bext, _ = parse_bext(bytes(payload))
    assert bext is not None
    assert bext.description == "Caf\u00e9"


@pytest.mark.parametrize(("size", "is_read"), [(0, False), (345, False), (346, True), (601, True)])
def test_a_short_chunk_is_a_fault_and_never_loses_the_sound(size: int, is_read: bool) -> None:
    file = riff(chunk(b"bext", build_bext(FULL)[:size]), fmt(), chunk(b"data", sound(100)))
    header = header_of(file)
    assert [(fault.code, fault.severity) for fault in header.faults] == [("bext-malformed", "warn")]
    assert (header.bext is not None) == is_read
    assert header.time_reference_samples == (172_800_000 if is_read else None)
    assert frames_read(file) == 100


def test_a_time_reference_that_no_chunk_can_hold() -> None:
    with pytest.raises(ValueError, match="-1"):
        build_bext(replace(FULL, time_reference_samples=-1))


TEXT = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=32)
LEVEL = st.one_of(st.none(), st.integers(-32_000, 32_000).map(lambda n: n / 100))


@given(
    description=TEXT,
    time=st.integers(0, 2**64 - 1),
    umid=st.binary(min_size=64, max_size=64),
    level=LEVEL,
)
def test_what_is_built_is_read_back(
    description: str, time: int, umid: bytes, level: float | None
) -> None:
    bext = Bext(
        description=description,
        time_reference_samples=time,
        umid=umid,
        loudness_lufs=level,
        max_true_peak_dbtp=level,
    )
    assert parse_bext(build_bext(bext)) == (bext, "")
