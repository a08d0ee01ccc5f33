"""FLAC: exact, proved by its MD5, and never accepted short or with a hole."""

from __future__ import annotations

import hashlib
import io
import struct

import numpy as np
import numpy.typing as npt
import pytest

from stemprep.containers import DecodingFault, read_blocks, sound_faults
from stemprep.containers.flac_blocks import read_flac_blocks
from stemprep.containers.flac_damage import first_broken_sample
from stemprep.containers.flac_frames import frame_at, is_whole_frame, last_frame
from stemprep.dsp.block import SoundBlock
from tests.containers.other_builder import codes, flac, header_of, library_file, read, told

RFC_EXAMPLE_1 = bytes.fromhex(
    "664c6143800000221000100000000f00000f0ac442f0000000013e84b41807dc"
    "690307586a3dad1a2e0ffff869180000bf0358fd03128baa9a"
)


def whole(bits: int = 24, frames: int = 1001, channels: int = 2) -> npt.NDArray[np.int64]:
    """Values at their own width."""
    return codes(bits, frames, channels).astype(np.int64) >> (32 - bits)


def decode(content: bytes) -> tuple[list[SoundBlock], DecodingFault | None]:
    """Blocks as far as they come, and what stopped them; every byte must have come by."""
    header = header_of(content)
    seen = bytearray()
    blocks = []
    try:
        for block in read_blocks(io.BytesIO(content), header, seen.extend, 500):
            blocks.append(block)
    except DecodingFault as fault:
        assert bytes(seen) == content
        return blocks, fault
    return blocks, None


def frames_of(blocks: list[SoundBlock]) -> int:
    return sum(block.frames for block in blocks)


def damaged(content: bytes, position: int, bits: int = 0x10) -> bytes:
    changed = bytearray(content)
    changed[position] ^= bits
    return bytes(changed)


@pytest.mark.parametrize("channels", [1, 2, 8])
@pytest.mark.parametrize("bits", [16, 24])
def test_the_librarys_files_are_exact(bits: int, channels: int) -> None:
    wanted = codes(bits, frames=10_000, channels=channels)
    content = library_file("FLAC", f"PCM_{bits}", wanted)
    header, (block,) = read(content)
    assert header.faults == ()
    assert header.format is not None
    assert (header.format.bit_depth, header.format.channels) == (bits, channels)
    assert header.declared_frames == header.frames == 10_000
    np.testing.assert_array_equal(block.codes, wanted)
    np.testing.assert_array_equal(block.samples, wanted.T * 2.0**-31)


@pytest.mark.parametrize("bits", [8, 16, 24])
def test_verbatim_streams_made_by_hand_are_exact(bits: int) -> None:
    header, (block,) = read(flac(whole(bits), bits))
    assert header.faults == ()
    np.testing.assert_array_equal(block.codes, codes(bits))


def test_example_1_of_the_rfc() -> None:
    """RFC 9639, appendix D.1 (from memory; the MD5 inside proves it): one frame, two channels."""
    header, (block,) = read(RFC_EXAMPLE_1)
    assert header.faults == ()
    assert header.format is not None
    assert (header.format.sample_rate_hz, header.frames) == (44_100, 1)
    assert block.codes is not None
    assert (block.codes >> 16).tolist() == [[25_588, 10_416]]
    digest = hashlib.md5(struct.pack("<hh", 25_588, 10_416), usedforsecurity=False)
    assert digest.digest() in RFC_EXAMPLE_1


def test_a_wrong_md5_is_told_after_the_last_block() -> None:
    content = flac(whole(), 24, md5=b"\1" * 16)
    blocks, stop = decode(content)
    assert frames_of(blocks) == 1001
    assert stop is not None
    assert (stop.fault.check, stop.fault.code) == ("checksum", "md5-differs")
    stored = whole().astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    assert hashlib.md5(stored, usedforsecurity=False).hexdigest() in stop.fault.found
    assert (b"\1" * 16).hex() in stop.fault.required


def test_an_absent_md5_is_a_note() -> None:
    header, blocks = read(flac(whole(), 24, md5=bytes(16)))
    assert told(header) == {("checksum", "md5-absent", "note")}
    assert frames_of(blocks) == 1001


@pytest.mark.parametrize("md5", [None, bytes(16)])
@pytest.mark.parametrize("frame", [0, 2, 4, 5])
def test_damage_is_told_with_its_place(frame: int, md5: bytes | None) -> None:
    """Blocks of 192: the flipped bit lies in the middle of one; its frames do not come."""
    content = flac(whole(), 24, md5=md5)
    position = content.index(b"\xff\xf8\x70") + frame * (192 * 6 + 12) + 200
    blocks, stop = decode(damaged(content, position))
    assert stop is not None
    is_last = frame == 5
    assert stop.fault.check == ("truncated" if is_last else "unreadable")
    assert stop.fault.start_sample == frame * 192
    assert "0:00.020" in stop.fault.message or frame != 5
    assert frames_of(blocks) <= frame * 192


@pytest.mark.parametrize("lost_bytes", [1, 2, 100, 1000, 3000, 6000])
@pytest.mark.parametrize("md5", [None, bytes(16)])
def test_a_cut_stream_is_truncated(lost_bytes: int, md5: bytes | None) -> None:
    content = flac(whole(), 24, md5=md5)[:-lost_bytes]
    header = header_of(content)
    blocks, stop = decode(content)
    checks = {fault.check for fault in header.faults} | {stop.fault.check if stop else ""}
    assert "truncated" in checks
    assert "checksum" not in {stop.fault.check if stop else ""}
    assert header.declared_frames == 1001
    if stop is None:
        assert frames_of(blocks) == header.frames < 1001


def test_a_stream_cut_between_blocks_says_promised_and_present() -> None:
    content = library_file("FLAC", "PCM_16", codes(16, frames=20_000))
    parsed = read_flac_blocks(io.BytesIO(content), len(content))
    assert parsed.info is not None
    last = last_frame(content, parsed.info)
    assert last is not None
    assert last.start_sample + last.frames == 20_000
    assert is_whole_frame(content[last.offset :])
    cut = content[: last.offset]
    header = header_of(cut)
    assert told(header) == {("truncated", "data-beyond-end", "fail")}
    assert (header.declared_frames, header.frames) == (20_000, last.start_sample)
    blocks, stop = decode(cut)
    assert stop is None
    assert frames_of(blocks) == last.start_sample


def test_nothing_behind_the_metadata() -> None:
    content = flac(whole(), 24)
    header, blocks = read(content[: content.index(b"\xff\xf8\x70")])
    assert told(header) == {("truncated", "data-beyond-end", "fail")}
    assert blocks == []


def test_a_length_left_open_is_counted() -> None:
    header, blocks = read(flac(whole(), 24, total=0))
    assert told(header) == {("header", "size-placeholder", "warn")}
    assert (header.declared_frames, header.frames) == (None, 1001)
    assert frames_of(blocks) == 1001
    assert header.faults[0].repair == "rewrap"


def test_a_length_that_is_too_small() -> None:
    content = flac(whole(), 24, total=900)
    assert told(header_of(content)) == {("header", "sound-behind-length", "fail")}
    _, stop = decode(content)
    assert stop is not None
    assert stop.fault.check == "checksum"


@pytest.mark.parametrize("total", [1002, 2**36 - 1])
def test_a_length_that_is_too_large(total: int) -> None:
    header = header_of(flac(whole(), 24, total=total))
    assert told(header) == {("truncated", "data-beyond-end", "fail")}
    assert header.frames == 1001


def test_an_old_tag_behind_the_sound_is_no_damage() -> None:
    content = flac(whole(), 24) + b"TAG" + bytes(125)
    header, blocks = read(content)
    assert header.faults == ()
    assert frames_of(blocks) == 1001


def test_a_tag_in_front_is_told_and_read_over() -> None:
    tag = b"ID3\4\0\0\0\0\1\2" + bytes(130)
    header, blocks = read(tag + flac(whole(), 24))
    assert told(header) == {("header", "id3-in-front", "warn")}
    assert frames_of(blocks) == 1001
    assert header.faults[0].repair == "rewrap"


@pytest.mark.parametrize("bits", range(4, 32))
def test_every_word_length_is_decoded(bits: int) -> None:
    """RFC 9639, 8.2: 4 to 32 bits per sample; 32 are the next test's."""
    values = np.random.default_rng(bits).integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (1001, 2))
    header, blocks = read(flac(values, bits))
    assert header.faults == ()
    codes = np.concatenate([block.codes for block in blocks if block.codes is not None])
    assert np.array_equal(codes >> (32 - bits), values)


@pytest.mark.parametrize(("bits", "channels"), [(20, 3), (32, 2)])
def test_words_that_no_decoder_here_takes_are_named(bits: int, channels: int) -> None:
    """The decoder of rare words orders three channels and more in its own way."""
    header, blocks = read(flac(np.zeros((1001, channels), np.int64), bits))
    assert told(header) == {("unreadable", "unsupported-coding", "fail")}
    assert f"FLAC of {bits} bits per sample and {channels} channels" in header.faults[0].message
    assert blocks == []


def test_damage_among_rare_words_is_told_with_its_place() -> None:
    """The decoder leaves broken blocks out; what follows them must not pass for what was there."""
    values = np.random.default_rng(1).integers(-(2**19), 2**19, (1001, 2))
    content = bytearray(flac(values, 20))
    content[len(content) // 2] ^= 0xFF
    _, stop = decode(bytes(content))
    assert stop is not None
    assert (stop.fault.code, stop.fault.start_sample) == ("damaged-sound", 384)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({8: b"\0\0\0\0"}, "block-size"),
        ({18: bytes(3)}, "sample-rate"),
        ({4: b"\1"}, "streaminfo"),
        ({5: b"\xff\xff\xff"}, "block-size"),
    ],
)
def test_impossible_headers(changes: dict[int, bytes], code: str) -> None:
    content = bytearray(flac(whole(), 24))
    for offset, new in changes.items():
        content[offset : offset + len(new)] = new
    header, blocks = read(bytes(content))
    assert told(header) == {("header", code, "fail")}
    assert header.format is None
    assert blocks == []


def test_comments_and_blocks_are_listed() -> None:
    texts = [b"TITLE=Kite", b"tracknumber=3"]
    payload = struct.pack("<I", 0) + struct.pack("<I", len(texts))
    payload += b"".join(struct.pack("<I", len(text)) + text for text in texts)
    block = b"\4" + len(payload).to_bytes(3, "big") + payload
    header, _ = read(flac(whole(), 24, in_front=block))
    assert header.faults == ()
    assert header.info == (("TITLE", "Kite"), ("TRACKNUMBER", "3"))
    assert [chunk.identifier for chunk in header.chunks] == ["VORBIS_COMMENT"]


def test_a_frame_number_of_several_bytes() -> None:
    """RFC 9639, 9.1.5: the number is coded as UTF-8 is; frame 300 starts at 300 blocks."""
    content = flac(whole(16, frames=301 * 16, channels=1), 16, block=16)
    parsed = read_flac_blocks(io.BytesIO(content), len(content))
    assert parsed.info is not None
    frame = last_frame(content, parsed.info)
    assert frame is not None
    assert (frame.start_sample, frame.frames) == (300 * 16, 16)
    assert frame_at(content, frame.offset + 1, parsed.info) is None
    assert header_of(content).faults == ()


def test_a_block_whose_successor_lost_its_header_counts_as_broken() -> None:
    """What lies before the place told is surely good; the place may be one block early."""
    content = bytearray(flac(whole(), 24))
    second = content.index(b"\xff\xf8\x70\x1c\x02")
    content[second : second + 2] = b"\0\0"
    _, stop = decode(bytes(content))
    assert stop is not None
    assert (stop.fault.check, stop.fault.start_sample) == ("unreadable", 192)


@pytest.mark.parametrize("behind", [b"", b"TAG" + bytes(125)])
def test_a_whole_stream_has_no_broken_block(behind: bytes) -> None:
    content = flac(whole(), 24) + behind
    parsed = read_flac_blocks(io.BytesIO(content), len(content))
    assert parsed.info is not None
    stream = io.BytesIO(content)
    found = first_broken_sample(stream, parsed.sound_offset, len(content), parsed.info, 0)
    assert found == 1001


@pytest.mark.parametrize(("limit", "is_read"), [(2002, True), (2001, False)])
def test_more_sound_than_is_ever_recorded(
    monkeypatch: pytest.MonkeyPatch, limit: int, is_read: bool
) -> None:
    """65,535 equal samples take some 12 bytes (RFC 9639, 9.2.1): a few MB hold hours of work."""
    monkeypatch.setattr(sound_faults, "MAX_CODED_SAMPLES", limit)
    header, blocks = read(flac(whole(), 24))
    assert header.is_readable == is_read
    assert bool(blocks) == is_read
    assert ("too-much-coded" in {fault.code for fault in header.faults}) != is_read
