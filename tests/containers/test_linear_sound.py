"""W64, AIFF, AIFC and CAF: every sample as the reference library reads and wrote it."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from stemprep.containers import DecodingFault, Metadata, copy_audio, read_blocks, read_header
from stemprep.errors import PrepareError
from tests.containers.other_builder import aiff, caf, codes, header_of, library_file, read

INTEGERS = [
    ("W64", "PCM_U8", 8, "FILE"),
    ("W64", "PCM_16", 16, "FILE"),
    ("W64", "PCM_24", 24, "FILE"),
    ("W64", "PCM_32", 32, "FILE"),
    ("AIFF", "PCM_S8", 8, "FILE"),
    ("AIFF", "PCM_16", 16, "FILE"),
    ("AIFF", "PCM_16", 16, "LITTLE"),
    ("AIFF", "PCM_24", 24, "FILE"),
    ("AIFF", "PCM_32", 32, "FILE"),
    ("AIFF", "PCM_U8", 8, "FILE"),
    ("CAF", "PCM_S8", 8, "FILE"),
    ("CAF", "PCM_16", 16, "BIG"),
    ("CAF", "PCM_16", 16, "LITTLE"),
    ("CAF", "PCM_24", 24, "BIG"),
    ("CAF", "PCM_24", 24, "LITTLE"),
    ("CAF", "PCM_32", 32, "BIG"),
    ("CAF", "PCM_32", 32, "LITTLE"),
]
FLOATS = [
    ("W64", "FLOAT", "FILE"),
    ("W64", "DOUBLE", "FILE"),
    ("AIFF", "FLOAT", "FILE"),
    ("AIFF", "DOUBLE", "FILE"),
    ("CAF", "FLOAT", "BIG"),
    ("CAF", "FLOAT", "LITTLE"),
    ("CAF", "DOUBLE", "BIG"),
    ("CAF", "DOUBLE", "LITTLE"),
]


@pytest.mark.parametrize("channels", [1, 2, 5])
@pytest.mark.parametrize(("container", "subtype", "bits", "endian"), INTEGERS)
def test_integers_are_exact(
    container: str, subtype: str, bits: int, endian: str, channels: int
) -> None:
    """Reference: soundfile (libsndfile), which wrote the file and reads it as int32."""
    wanted = codes(bits, frames=1000, channels=channels)
    content = library_file(container, subtype, wanted, endian=endian)
    reference, _ = soundfile.read(io.BytesIO(content), dtype="int32", always_2d=True)
    header, (block,) = read(content)
    assert header.faults == ()
    assert header.format is not None
    assert header.format.container in {container, "AIFC" if container == "AIFF" else container}
    assert (header.format.bit_depth, header.format.container_bits) == (bits, bits)
    assert (header.format.channels, header.format.sample_rate_hz) == (channels, 48_000)
    assert header.declared_frames == header.frames == 1000
    np.testing.assert_array_equal(block.codes, reference)
    np.testing.assert_array_equal(block.codes, wanted)
    np.testing.assert_array_equal(block.samples, wanted.T * 2.0**-31)
    assert block.samples.dtype == (np.float64 if bits == 32 else np.float32)


@pytest.mark.parametrize("container", ["W64", "AIFF", "CAF"])
def test_an_odd_number_of_bytes_has_no_frame_too_many(container: str) -> None:
    """The library counts the pad byte of an odd AIFF sound chunk as sound: no fault here."""
    wanted = codes(24, channels=1)
    header, (block,) = read(library_file(container, "PCM_24", wanted))
    assert header.faults == ()
    np.testing.assert_array_equal(block.codes, wanted)


@pytest.mark.parametrize(("container", "subtype", "endian"), FLOATS)
def test_floats_are_exact(container: str, subtype: str, endian: str) -> None:
    """Values beyond full scale, denormal and not finite come through as they are."""
    kind = np.float32 if subtype == "FLOAT" else np.float64
    wanted = np.random.default_rng(1).uniform(-4, 4, (1001, 2)).astype(kind)
    wanted[:4, 0] = [np.inf, -np.inf, np.nan, 1e-40]
    header, (block,) = read(library_file(container, subtype, wanted, endian=endian))
    assert header.faults == ()
    assert header.format is not None
    assert header.format.encoding == "float"
    assert block.codes is None
    assert block.samples.dtype == np.float64
    np.testing.assert_array_equal(block.samples, wanted.T.astype(np.float64))


@pytest.mark.parametrize("container", ["W64", "AIFF", "CAF"])
@pytest.mark.parametrize("block_frames", [1, 100, 1001, 5000])
def test_blocks_join_to_the_same_sound(container: str, block_frames: int) -> None:
    wanted = codes(24)
    _, blocks = read(library_file(container, "PCM_24", wanted), block_frames=block_frames)
    assert max(block.frames for block in blocks) <= block_frames
    np.testing.assert_array_equal(np.concatenate([b.codes for b in blocks]), wanted)


@pytest.mark.parametrize(
    ("code", "bits", "order"),
    [
        (b"NONE", 24, ">"), (b"twos", 24, ">"), (b"sowt", 24, "<"), (b"in24", 24, ">"),
        (b"42ni", 24, "<"), (b"42n1", 24, "<"), (b"in32", 32, ">"), (b"23ni", 32, "<"),
        (b"sowt", 16, "<"),
    ],
)  # fmt: skip
def test_every_integer_code_gives_the_same_sound(code: bytes, bits: int, order: str) -> None:
    """Swapped bytes would be noise of full level that no level check tells from music."""
    wanted = codes(bits, channels=1)
    words = wanted.astype(f"{order}i4").view(np.uint8).reshape(-1, 4)
    width = bits // 8
    stored = words[:, 4 - width :] if order == "<" else words[:, :width]
    header, (block,) = read(aiff(stored.tobytes(), frames=1001, bits=bits, code=code))
    np.testing.assert_array_equal(block.codes, wanted)
    rare = [fault.found for fault in header.faults]
    assert rare == (
        [f"the sample code '{code.decode()}'"] if code in (b"42ni", b"42n1", b"23ni") else []
    )


def test_twenty_bits_in_three_bytes() -> None:
    """AIFF 1.3: samples are left-justified in whole bytes, low bits zero."""
    wanted = codes(20, channels=1)
    stored = wanted.astype(">i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    header, (block,) = read(aiff(stored, frames=1001, bits=20))
    assert header.format is not None
    assert (header.format.bit_depth, header.format.container_bits) == (20, 24)
    np.testing.assert_array_equal(block.codes, wanted)


def test_a_caf_with_wide_samples_is_read_by_its_packet_size() -> None:
    """24 valid bits in 32-bit words, high-aligned (CAF specification, from memory)."""
    wanted = codes(24, channels=2)
    header, (block,) = read(
        caf(wanted.astype(">i4").tobytes(), channels=2, bits=24, packet_bytes=8)
    )
    assert header.faults == ()
    assert header.format is not None
    assert (header.format.bit_depth, header.format.container_bits) == (24, 32)
    np.testing.assert_array_equal(block.codes, wanted)


def test_sound_behind_an_offset_and_odd_chunks() -> None:
    wanted = codes(24, channels=1)
    stored = wanted.astype(">i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    content = bytearray(aiff(b"junk" + stored, frames=1001, between=b"NAME\0\0\0\3odd\0"))
    position = content.index(b"SSND")
    content[position + 8 : position + 12] = (4).to_bytes(4, "big")
    header, (block,) = read(bytes(content))
    assert header.faults == ()
    assert header.info == (("NAME", "odd"),)
    np.testing.assert_array_equal(block.codes, wanted)


def test_a_file_that_shrinks_after_its_header_was_read_is_no_whole_sound() -> None:
    content = library_file("CAF", "PCM_24", codes(24))
    header = header_of(content)
    with pytest.raises(DecodingFault) as caught:
        list(read_blocks(io.BytesIO(content[:2000]), header, lambda _: None))
    assert (caught.value.fault.check, caught.value.fault.code) == ("truncated", "decoded-short")


class FailingStream(io.BytesIO):
    """A disk that gives back an error once ``fails`` is set."""

    fails = False

    def read(self, size: int | None = -1, /) -> bytes:
        if self.fails:
            raise OSError(5, "Input/output error")
        return super().read(size)


def test_an_error_of_the_disk_while_decoding_is_no_short_sound() -> None:
    stream = FailingStream(library_file("AIFF", "PCM_24", codes(24, frames=50_000)))
    header = read_header(stream, len(stream.getvalue()), "take.aif")
    blocks = read_blocks(stream, header, lambda _: None, 1000)
    next(blocks)
    stream.fails = True
    with pytest.raises(OSError, match="Input/output error"):
        list(blocks)


@pytest.mark.parametrize("container", ["W64", "AIFF", "CAF", "FLAC"])
def test_none_of_them_is_written_or_copied_as_bytes(container: str) -> None:
    """Big-endian or compressed bytes under a WAV header would be noise."""
    content = library_file(container, "PCM_24", codes(24))
    with pytest.raises(PrepareError):
        copy_audio(io.BytesIO(content), header_of(content), io.BytesIO(), Metadata())
