"""RF64 above the limit: EBU Tech 3306, ITU-R BS.2088; read back by the reference library."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import soundfile

from stemprep.containers import Metadata, read_header
from stemprep.containers.bext import build_bext
from stemprep.containers.riff_writer import copy_audio, write_blocks
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import RF64_ABOVE_BYTES, AudioFormat, Bext
from tests.containers.riff_builder import chunk, fmt, header_of, riff, sound

STEREO_24 = AudioFormat(
    container="WAV",
    encoding="integer",
    sample_rate_hz=48_000,
    channels=2,
    bit_depth=24,
    container_bits=24,
)


def write(frames: int, limit: int, metadata: Metadata) -> tuple[bytes, SoundBlock]:
    codes = np.random.default_rng(1).integers(-(2**23), 2**23, (frames, 2)).astype(np.int32) << 8
    block = SoundBlock(codes.T * 2.0**-31, codes)
    target = io.BytesIO()
    write_blocks(target, STEREO_24, iter([block]), metadata, frames, rf64_above_bytes=limit)
    return target.getvalue(), block


@pytest.mark.parametrize(
    "chunks",
    [
        (),
        (("note", b"hello"),),
        (("bext", build_bext(Bext(coding_history="A=PCM"))), ("iXML", b"<BWFXML/>")),
    ],
)
def test_the_reference_library_reads_it(chunks: tuple[tuple[str, bytes], ...]) -> None:
    """Soundfile loses the sound behind an odd chunk in RF64: ours stand where it does no harm."""
    content, block = write(1001, 1000, Metadata(chunks=chunks))
    header = header_of(content)
    assert header.faults == ()
    assert {name for name, _ in chunks} <= {chunk.identifier for chunk in header.chunks}
    codes, _ = soundfile.read(io.BytesIO(content), dtype="int32")
    assert soundfile.info(io.BytesIO(content)).format == "RF64"
    np.testing.assert_array_equal(codes, block.codes)


def test_layout() -> None:
    """BS.2088: ds64 first, 32-bit sizes 0xFFFFFFFF, the true ones in 64 bits."""
    content, _ = write(1001, 1000, Metadata())
    assert content[:16] == b"RF64\xff\xff\xff\xffWAVEds64"
    assert struct.unpack_from("<IQQQI", content, 16) == (28, len(content) - 8, 6006, 1001, 0)
    assert content[48:52] == b"fmt "
    assert content[72:80] == b"data\xff\xff\xff\xff"
    header = header_of(content)
    assert header.faults == ()
    assert header.format is not None
    assert (header.format.container, header.frames) == ("RF64", 1001)


@pytest.mark.parametrize(("limit", "magic"), [(6050, b"RIFF"), (6049, b"RF64")])
def test_the_limit_is_the_size_of_the_whole_file(limit: int, magic: bytes) -> None:
    content, _ = write(1001, limit, Metadata())
    assert content[:4] == magic
    assert RF64_ABOVE_BYTES == 4_294_000_000


def test_copy_audio_goes_both_ways() -> None:
    plain = riff(fmt(channels=2), chunk(b"data", sound(1001, channels=2)))
    big = copy(plain, 1000)
    assert big[:4] == b"RF64"
    assert copy(big, RF64_ABOVE_BYTES) == plain


def copy(content: bytes, limit: int) -> bytes:
    source, target = io.BytesIO(content), io.BytesIO()
    header = read_header(source, len(content), "take.wav")
    copy_audio(source, header, target, Metadata(), rf64_above_bytes=limit)
    return target.getvalue()


def test_sizes_beyond_32_bits_are_stated_right() -> None:
    """5 GiB are predicted; the sound itself stops short, so only the header is looked at."""

    class Head(io.BytesIO):
        """Keeps the first write only."""

    target = Head()
    frames = 5 * 2**30 // 6
    with pytest.raises(Exception, match="arrived"):
        write_blocks(target, STEREO_24, iter([]), Metadata(), frames)
    content = target.getvalue()
    _, riff_size, data_size, count, _ = struct.unpack_from("<IQQQI", content, 16)
    assert (data_size, count) == (frames * 6, frames)
    assert riff_size == len(content) + frames * 6 - 8
