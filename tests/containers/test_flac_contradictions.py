"""FLAC whose parts contradict each other, or that goes on behind its end (RFC 9639)."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.model.header import HeaderFault
from tests.containers.other_builder import (
    _flac_frame,
    codes,
    flac,
    header_of,
    library_file,
    read,
)

INFO = 8  # first byte of STREAMINFO: behind 'fLaC' and the head of its block
PACKED = INFO + 10  # rate (20 bits), channels less 1 (3), bits less 1 (5), samples (36)


def whole(frames: int = 48_000, channels: int = 2) -> bytes:
    """A FLAC of the reference encoder: its frame headers state rate and word length."""
    return library_file("FLAC", "PCM_16", codes(16, frames, channels) >> 16 << 16)


def with_packed(content: bytes, shift: int, width: int, value: int) -> bytes:
    """The same stream with another value in a field of STREAMINFO."""
    packed = int.from_bytes(content[PACKED : PACKED + 8], "big")
    packed = packed & ~((1 << width) - 1 << shift) | value << shift
    return content[:PACKED] + packed.to_bytes(8, "big") + content[PACKED + 8 :]


def fault(content: bytes, code: str) -> HeaderFault:
    told = {fault.code: fault for fault in header_of(content, "take.flac").faults}
    assert code in told, sorted(told)
    return told[code]


def test_a_proper_stream_is_told_nothing() -> None:
    assert header_of(whole(), "take.flac").faults == ()


@pytest.mark.parametrize(
    ("shift", "width", "value", "words"),
    [
        (44, 20, 44_100, ("44,100 Hz", "48,000 Hz")),
        (41, 3, 0, ("1 channel", "2 channels")),
        (36, 5, 23, ("24 bits", "16 bits")),
    ],
)
def test_frames_that_contradict_streaminfo_are_told_with_both_readings(
    shift: int, width: int, value: int, words: tuple[str, str]
) -> None:
    """RFC 9639, 8.2 and 9.1: rate, channels and word length stand in both places."""
    told = fault(with_packed(whole(), shift, width, value), "frame-format")
    assert (told.check, told.severity, told.repair) == ("header", "fail", None)
    assert all(word in told.message for word in words)


@pytest.mark.parametrize("frames", [4_000, 48_000, 60_000])
def test_a_second_stream_behind_the_first_is_told(frames: int) -> None:
    content = whole() + whole(frames)
    told = fault(content, "second-stream")
    assert (told.check, told.severity, told.repair) == ("header", "fail", None)
    assert f"{frames:,}" in told.message
    header, blocks = read(content, "take.flac")
    assert sum(block.frames for block in blocks) == header.frames == 48_000
    assert "truncated" not in {fault.check for fault in header.faults}


@pytest.mark.parametrize("count", [20, 5_000, 400_000])
def test_bytes_behind_the_last_frame_are_told(count: int) -> None:
    garbage = np.random.default_rng(count).bytes(count)
    content = whole() + garbage
    assert fault(content, "stray-bytes").severity == "warn"
    header, blocks = read(content, "take.flac")
    assert sum(block.frames for block in blocks) == header.frames == 48_000
    assert {fault.code for fault in header.faults} == {"stray-bytes"}


def test_an_old_tag_at_the_end_is_no_garbage() -> None:
    assert header_of(whole() + b"TAG" + bytes(125), "take.flac").faults == ()


def streaminfo(content: bytes) -> bytes:
    """The first metadata block of a stream, as one that others follow."""
    return b"\0" + content[5 : INFO + 34]


def with_block_in_front(content: bytes, block: bytes) -> bytes:
    return b"fLaC" + block + content[4:]


def test_two_streaminfo_blocks_that_differ_are_told_with_both_readings() -> None:
    other = streaminfo(with_packed(whole(), 44, 20, 44_100))
    told = fault(with_block_in_front(whole(), other), "second-format")
    assert told.severity == "fail"
    assert "44,100 Hz" in told.message
    assert "48,000 Hz" in told.message
    same = with_block_in_front(whole(), streaminfo(whole()))
    assert fault(same, "second-format").severity == "note"


def test_streaminfo_that_is_not_first_is_told() -> None:
    """RFC 9639, 8.2: STREAMINFO must be the first metadata block."""
    content = with_block_in_front(whole(), b"\1\0\0\4\0\0\0\0")
    assert fault(content, "chunk-order").severity == "warn"


def test_frames_without_rate_and_word_length_contradict_nothing() -> None:
    assert header_of(flac(codes(16, 960) >> 16, 16), "take.flac").faults == ()


def renumbered(content: bytes, block: int) -> bytes:
    """STREAMINFO that states another block size; the frames keep theirs."""
    return content[:INFO] + block.to_bytes(2, "big") * 2 + content[INFO + 4 :]


@pytest.mark.parametrize("block", [16, 4_000, 4_608, 65_535])
def test_a_wrong_block_size_in_the_header_loses_no_sound(block: int) -> None:
    """RFC 9639, 8.2: what STREAMINFO states of blocks and what the frames are may differ."""
    header, blocks = read(renumbered(whole(), block), "take.flac")
    assert sum(each.frames for each in blocks) == header.frames == 48_000
    assert not {fault.check for fault in header.faults} & {"truncated", "unreadable"}


@pytest.mark.parametrize("lost", [1, 2, 100, 2_000])
def test_a_stream_without_length_and_sum_that_is_cut_inside_its_last_frame_is_truncated(
    lost: int,
) -> None:
    """As a program leaves it that writes into a pipe, and a copy that was cut."""
    streamed = with_packed(whole(), 0, 36, 0)
    streamed = streamed[: INFO + 18] + bytes(16) + streamed[INFO + 34 :]
    assert "truncated" not in {fault.check for fault in header_of(streamed, "take.flac").faults}
    header = header_of(streamed[:-lost], "take.flac")
    told = {fault.check: fault for fault in header.faults}
    assert told["truncated"].severity == "fail"
    assert "incomplete" in told["truncated"].message
    assert header.frames < 48_000


def test_an_old_stream_of_blocks_of_any_length_is_as_long_as_its_samples() -> None:
    """Numbered by sample without the bit that says so, as before RFC 9639 (from memory)."""
    lengths = (192, 576, 192, 480, 576)
    values = codes(16, sum(lengths)).astype(np.int64) >> 16
    starts = np.cumsum((0, *lengths[:-1]))
    frames = b"".join(
        _flac_frame(values[start : start + length], int(start), 16)
        for start, length in zip(starts, lengths, strict=True)
    )
    content = flac(values, 16)
    head = content[:INFO] + (192).to_bytes(2, "big") + (576).to_bytes(2, "big")
    content = head + content[INFO + 4 : INFO + 34] + b"\x81\0\0\4\0\0\0\0" + frames
    header, blocks = read(content, "take.flac")
    assert header.faults == ()
    assert sum(block.frames for block in blocks) == header.frames == sum(lengths)


def test_frames_that_begin_again_without_a_header_are_told() -> None:
    content = whole()
    frames = content[content.index(b"\xff\xf8") :]
    told = fault(content + frames, "second-stream")
    assert (told.severity, told.repair) == ("fail", None)
