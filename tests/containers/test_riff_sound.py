"""Sound in and out: codes and samples against the reference library, bytes against bytes."""

from __future__ import annotations

import hashlib
import io
import pickle
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np
import pytest
import soundfile

from stemprep.containers import (
    DecodingFault,
    Metadata,
    copy_audio,
    read_blocks,
    read_header,
    write_blocks,
)
from stemprep.containers.bext import build_bext
from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.header import AudioFormat, Bext, Header
from stemprep.model.words import Encoding
from tests.containers.riff_builder import chunk, extensible, fmt, frames_read, riff, sound

Words = tuple[Encoding, int]
INTEGERS: list[Words] = [("integer", 8), ("integer", 16), ("integer", 24), ("integer", 32)]
FLOATS: list[Words] = [("float", 32), ("float", 64)]
METADATA = Metadata(
    chunks=(("bext", build_bext(Bext(description="odd", coding_history="A=PCM"))), ("note", b"hey"))
)


def audio_format(word: Words, channels: int, rate_hz: int = 48_000) -> AudioFormat:
    encoding, bits = word
    return AudioFormat(
        container="WAV",
        encoding=encoding,
        sample_rate_hz=rate_hz,
        channels=channels,
        bit_depth=bits,
        container_bits=bits,
    )


def block_of(word: Words, channels: int, frames: int) -> SoundBlock:
    """Every code as likely as any other; float within and beyond full scale."""
    encoding, bits = word
    generator = np.random.default_rng(bits + channels)
    if encoding == "float":
        samples = generator.uniform(-4, 4, (channels, frames))
        return SoundBlock(samples.astype(f"f{bits // 8}").astype(np.float64), None)
    codes = generator.integers(-(2**31), 2**31, (frames, channels)).astype(np.int32)
    codes &= np.int32(-1 << (32 - bits))
    return SoundBlock((codes.T * 2.0**-31).astype(np.float64), codes)


def written(word: Words, channels: int, block: SoundBlock, metadata: Metadata = METADATA) -> bytes:
    target = io.BytesIO()
    write_blocks(target, audio_format(word, channels), iter([block]), metadata, block.frames)
    return target.getvalue()


def read(content: bytes, block_frames: int = 65_536) -> tuple[Header, list[SoundBlock]]:
    stream = io.BytesIO(content)
    header = read_header(stream, len(content), "take.wav")
    return header, list(read_blocks(stream, header, lambda _: None, block_frames))


@pytest.mark.parametrize("channels", [1, 2, 3, 6, 64])
@pytest.mark.parametrize("word", INTEGERS)
def test_integers_come_back_bit_for_bit(word: Words, channels: int) -> None:
    """Reference: soundfile (libsndfile) reads our file to the same codes, and so do we."""
    block = block_of(word, channels, 1001)
    content = written(word, channels, block)
    header, (back,) = read(content)
    assert header.faults == ()
    assert header.format == audio_format(word, channels) or channels > 2
    reference, rate_hz = soundfile.read(io.BytesIO(content), dtype="int32", always_2d=True)
    assert rate_hz == 48_000
    np.testing.assert_array_equal(reference, block.codes)
    np.testing.assert_array_equal(back.codes, block.codes)
    np.testing.assert_array_equal(back.samples, block.samples)
    assert back.samples.dtype == (np.float64 if word[1] == 32 else np.float32)
    assert back.samples.flags.c_contiguous


@pytest.mark.parametrize("channels", [1, 2, 3, 64])
@pytest.mark.parametrize("word", FLOATS)
def test_float_comes_back_bit_for_bit(word: Words, channels: int) -> None:
    """Reference: soundfile (libsndfile) reads our file to the same values."""
    block = block_of(word, channels, 501)
    content = written(word, channels, block)
    header, (back,) = read(content)
    assert header.faults == ()
    reference, _ = soundfile.read(io.BytesIO(content), dtype="float64", always_2d=True)
    np.testing.assert_array_equal(reference.T, block.samples)
    np.testing.assert_array_equal(back.samples, block.samples)
    assert back.codes is None
    assert back.samples.dtype == np.float64


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("kind", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("rate_hz", [8000, 44_100, 384_000])
def test_files_of_the_reference_library(
    tmp_path: Path, subtype: str, kind: str, rate_hz: int
) -> None:
    """Soundfile writes, both read: samples equal, value = code / 2**(bits - 1)."""
    path = tmp_path / "take.wav"
    noise = np.random.default_rng(1).uniform(-1, 1, (999, 2))
    soundfile.write(path, noise, rate_hz, subtype=subtype, format=kind)
    header, blocks = read(path.read_bytes(), 100)
    samples = np.concatenate([block.samples for block in blocks], axis=1)
    reference, _ = soundfile.read(path, dtype="float64")
    np.testing.assert_array_equal(samples, reference.T)
    assert header.format is not None
    assert header.format.sample_rate_hz == rate_hz
    assert header.frames == 999
    assert header.faults == ()


def test_non_finite_floats_pass_unharmed() -> None:
    samples = np.array([[np.nan, np.inf, -np.inf, -0.0, 1e-310]])
    _, (back,) = read(written(("float", 64), 1, SoundBlock(samples, None)))
    assert back.samples.tobytes() == samples.tobytes()


@pytest.mark.parametrize("block_frames", [1, 7, 100, 65_536])
def test_sound_does_not_depend_on_the_block_size(block_frames: int) -> None:
    content = riff(fmt(channels=2), chunk(b"data", sound(333, channels=2)))
    _, (whole,) = read(content)
    _, blocks = read(content, block_frames)
    assert all(block.frames <= block_frames for block in blocks)
    np.testing.assert_array_equal(np.concatenate([b.samples for b in blocks], 1), whole.samples)
    codes = [block.codes for block in blocks if block.codes is not None]
    np.testing.assert_array_equal(np.concatenate(codes), whole.codes)
    assert frames_read(content, block_frames) == 333


def test_many_channels_make_shorter_blocks() -> None:
    """A block holds at most 2**20 samples, so that memory stays constant."""
    content = riff(fmt(channels=64, bits=16), chunk(b"data", bytes(64 * 2 * 20_000)))
    _, blocks = read(content)
    assert [block.frames for block in blocks] == [16_384, 3616]


def test_a_stream_that_gives_little_at_a_time_is_read_whole() -> None:
    class Slow:
        """Seven bytes at a time at most, and only ``read``."""

        def __init__(self, content: bytes) -> None:
            self._inner = io.BytesIO(content)
            self.seek = self._inner.seek

        def read(self, size: int) -> bytes:
            return self._inner.read(min(size, 7))

    content = riff(fmt(), chunk(b"data", sound(50)))
    header = read_header(io.BytesIO(content), len(content), "take.wav")
    seen = bytearray()
    blocks = list(
        read_blocks(cast("BinaryIO", Slow(content)), header, lambda m: seen.extend(bytes(m)))
    )
    assert sum(block.frames for block in blocks) == 50
    assert bytes(seen) == content


def test_blocks_own_their_arrays() -> None:
    """Blocks may be kept: later reading does not change them."""
    content = riff(fmt(bits=32), chunk(b"data", sound(300, bits=32)))
    _, blocks = read(content, 100)
    _, again = read(content, 100)
    for kept, fresh in zip(blocks, again, strict=True):
        np.testing.assert_array_equal(kept.codes, fresh.codes)


def test_valid_bits_below_the_container_are_carried() -> None:
    """20 valid bits in 24: codes as stored, the header says so again after a copy."""
    data = sound(100, channels=2)
    content = riff(extensible(valid=20, mask=3, channels=2), chunk(b"data", data))
    copy = copied(content, Metadata())
    header, _ = read(copy)
    assert header.format is not None
    assert (header.format.bit_depth, header.format.container_bits) == (20, 24)
    assert header.format.channel_mask == 3
    assert soundfile.info(io.BytesIO(copy)).frames == 100


def copied(content: bytes, metadata: Metadata) -> bytes:
    source, target = io.BytesIO(content), io.BytesIO()
    copy_audio(source, read_header(source, len(content), "take.wav"), target, metadata)
    return target.getvalue()


def audio_bytes_sha256(content: bytes) -> str:
    header = read_header(io.BytesIO(content), len(content), "take.wav")
    start = header.data_offset_bytes
    return hashlib.sha256(content[start : start + header.data_size_bytes]).hexdigest()


@pytest.mark.parametrize("channels", [1, 2, 5])
@pytest.mark.parametrize("word", INTEGERS + FLOATS)
def test_copy_audio_keeps_the_audio_bytes_and_adds_metadata(word: Words, channels: int) -> None:
    content = written(word, channels, block_of(word, channels, 777), Metadata())
    copy = copied(content, METADATA)
    header, _ = read(copy)
    assert audio_bytes_sha256(copy) == audio_bytes_sha256(content)
    assert header.faults == ()
    assert header.bext is not None
    assert header.bext.description == "odd"
    assert [c.identifier for c in header.chunks if c.identifier != "fact"] == [
        "bext",
        "fmt ",
        "note",
        "data",
    ]


REPAIRED = {
    "sizes 0": riff(fmt(), chunk(b"data", sound(999) + b"x", size=0), size=0),
    "block align": riff(fmt(align=4), chunk(b"data", sound(999))),
    "no pads": riff(chunk(b"note", b"hello", pad=False), fmt(), chunk(b"data", sound(999))),
    "RF64": riff(
        chunk(b"ds64", bytes(28)), fmt(), chunk(b"data", sound(999)), magic=b"RF64", size=0xFFFFFFFF
    ),
}


@pytest.mark.parametrize("content", REPAIRED.values(), ids=REPAIRED.keys())
def test_copy_audio_repairs_what_its_fault_promises(content: bytes) -> None:
    """Reference: soundfile reads the repaired file to the original's bytes."""
    copy = copied(content, Metadata())
    header, _ = read(copy)
    assert header.faults == ()
    assert header.frames == 999
    codes, _ = soundfile.read(io.BytesIO(copy), dtype="int32")
    original = np.frombuffer(sound(999), np.uint8).reshape(-1, 3)
    np.testing.assert_array_equal(
        codes.astype("<i4").view(np.uint8).reshape(-1, 4)[:, 1:], original
    )


def test_the_same_sound_gives_the_same_bytes() -> None:
    block = block_of(("integer", 24), 2, 500)
    assert written(("integer", 24), 2, block) == written(("integer", 24), 2, block)


def test_the_plain_header_is_the_one_every_reader_knows() -> None:
    """RIFF (1991): mono 16 bit, 44 bytes in front of the sound."""
    content = written(("integer", 16), 1, block_of(("integer", 16), 1, 10), Metadata())
    assert content[:44] == (
        b"RIFF\x38\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0\x80\xbb\0\0\0\x77\x01\0\x02\0\x10\0"
        b"data\x14\0\0\0"
    )


def test_what_is_not_as_planned_is_refused() -> None:
    block = block_of(("integer", 24), 2, 10)
    stereo = audio_format(("integer", 24), 2)

    def write(fmt_: AudioFormat, blocks: Iterator[SoundBlock], frames: int) -> None:
        write_blocks(io.BytesIO(), fmt_, blocks, Metadata(), frames)

    with pytest.raises(PrepareError, match="11 frames were planned and 10 arrived"):
        write(stereo, iter([block]), 11)
    with pytest.raises(PrepareError, match="1 channels were planned, 2 arrived"):
        write(audio_format(("integer", 24), 1), iter([block]), 10)
    with pytest.raises(PrepareError, match="no integer codes"):
        write(stereo, iter([SoundBlock(block.samples, None)]), 10)
    with pytest.raises(PrepareError, match="no WAV can be written"):
        write(audio_format(("float", 16), 2), iter([block]), 10)
    with pytest.raises(PrepareError, match="no sound to copy"):
        copied(riff(fmt()), Metadata())
    with pytest.raises(PrepareError, match="no file of the kind unknown"):
        copied(b"not a sound file at all", Metadata())


def test_a_source_that_shrinks_while_it_is_copied() -> None:
    content = riff(fmt(), chunk(b"data", sound(100)))
    header = read_header(io.BytesIO(content), len(content), "take.wav")
    with pytest.raises(PrepareError, match="50 bytes shorter"):
        copy_audio(io.BytesIO(content[:-50]), header, io.BytesIO(), Metadata())


def test_damage_found_while_decoding_survives_a_process_boundary() -> None:
    content = riff(fmt(), chunk(b"data", sound(100)))[:-9]
    (fault,) = read_header(io.BytesIO(content), len(content), "take.wav").faults
    assert pickle.loads(pickle.dumps(DecodingFault(fault))).fault == fault  # noqa: S301
