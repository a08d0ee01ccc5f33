"""FLAC: structure by our own reader, samples by a library, its MD5 by us. Source: RFC 9639."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, BinaryIO, Final

import numpy as np

from stemprep.containers import faults, sound_faults
from stemprep.containers.chunk_walk import by_rewrapping
from stemprep.containers.flac_blocks import (
    FlacBlocks,
    form_words,
    read_flac_blocks,
    second_stream,
)
from stemprep.containers.flac_damage import first_broken_sample
from stemprep.containers.flac_frames import (
    MAX_HEADER_BYTES,
    FlacFrame,
    StreamInfo,
    form_of_frame,
    largest_frame_bytes,
    last_frame,
    whole_frame_bytes,
)
from stemprep.containers.id3 import without_old_tag
from stemprep.containers.libsndfile import (
    NO_PATCH,
    Decoder,
    DecoderStopped,
    Patch,
    decode_blocks,
)
from stemprep.containers.pcm import encode_codes
from stemprep.containers.protocol import DecodingFault, OnBytes, pass_through
from stemprep.containers.reading_only import copy_audio, write_blocks
from stemprep.containers.riff_chunks import read_at
from stemprep.dsp.block import Codes, SoundBlock
from stemprep.model.header import AudioFormat, Header, HeaderFault

if TYPE_CHECKING:
    from stemprep.containers.flac_words import WordDecoder

__all__ = ["NAMES", "WRITES", "copy_audio", "probe", "read_blocks", "read_header", "write_blocks"]

NAMES: Final[frozenset[str]] = frozenset({"FLAC"})
WRITES: Final[frozenset[str]] = frozenset()

_LIBSNDFILE_BITS: Final = (8, 16, 24)
_MOST_OTHER_BITS: Final = 31  # the decoder of other words takes the code for 32 bits for an error
_MOST_OTHER_CHANNELS: Final = 2  # and orders three and more in its own way
_LARGEST_BLOCK: Final = 65_535  # what two bytes of STREAMINFO can state
_TAIL_SLACK_BYTES: Final = 1 << 16


def probe(head: bytes) -> bool:
    """Tell by the first four bytes; a stream behind an ID3 tag is found by what follows the tag."""
    return head[:4] == b"fLaC"


def read_header(stream: BinaryIO, size_bytes: int) -> Header:
    """Read the metadata and the last frame's header: the sound is judged before it is decoded."""
    blocks = read_flac_blocks(stream, size_bytes)
    told = list(blocks.faults)
    info = blocks.info
    impossible = None if info is None else _impossible(info)
    if info is None or impossible is not None:
        told += [] if impossible is None else [impossible]
        return Header(format=None, faults=by_rewrapping(told), chunks=tuple(blocks.chunks))
    told += _frame_format(blocks, info)
    if _is_block_size_wrong(info, blocks):
        told.append(_block_size(info))
    behind = second_stream(stream, blocks, size_bytes)
    if behind is not None:
        size_bytes, fault = behind
        told.append(fault)
    frames = 0
    if _is_decodable(info):
        frames, of_the_length = _frames(stream, size_bytes, blocks, info)
        told += of_the_length
        if frames * info.channels > sound_faults.MAX_CODED_SAMPLES:
            told.append(sound_faults.too_much_coded(frames, info.channels))
            frames = 0
    else:
        form = f"FLAC of {info.bits} bits per sample and {info.channels} channels"
        told.append(sound_faults.unsupported(form))
    if not any(info.md5):
        told.append(sound_faults.checksum_absent())
    return Header(
        format=_format(info),
        declared_frames=info.total_frames or None,
        frames=frames,
        faults=by_rewrapping(told),
        info=blocks.comments,
        chunks=tuple(blocks.chunks),
    )


def read_blocks(
    stream: BinaryIO, header: Header, on_bytes: OnBytes, block_frames: int
) -> Iterator[SoundBlock]:
    """Read the whole file once for ``on_bytes``, then decode ``header.frames`` frames.

    Raises DecodingFault: ``unreadable`` where the decoder meets damage, ``truncated`` where it
    ends early, ``checksum`` after the last block where the sound is not what its MD5 was made of.
    """
    stream.seek(0)
    size_bytes = pass_through(stream, on_bytes)
    if header.format is None or not header.is_readable:
        return
    blocks = read_flac_blocks(stream, size_bytes)
    if blocks.info is None:
        raise DecodingFault(
            sound_faults.damaged(0, header.format.sample_rate_hz, "the header is gone")
        )
    digest = hashlib.md5(usedforsecurity=False)
    for block in _decoded(stream, size_bytes, blocks, header, block_frames):
        assert block.codes is not None, "FLAC holds integers"
        digest.update(_stored_bytes(block.codes, header.format.bit_depth))
        yield block
    is_whole = blocks.info.total_frames in {header.frames, 0}
    if is_whole and any(blocks.info.md5) and digest.digest() != blocks.info.md5:
        raise DecodingFault(
            sound_faults.checksum_differs(blocks.info.md5.hex(), digest.hexdigest())
        )


def _decoded(
    stream: BinaryIO, size_bytes: int, blocks: FlacBlocks, header: Header, block_frames: int
) -> Iterator[SoundBlock]:
    """Decode through the library and tell where it had to stop."""
    assert header.format is not None, "a readable header has a format"
    rate_hz = header.format.sample_rate_hz
    position = 0
    try:
        size = size_bytes - blocks.start
        with _opened(stream, blocks, size, header.format) as decoder:
            if (decoder.channels, decoder.sample_rate_hz) != (header.format.channels, rate_hz):
                raise DecodingFault(
                    sound_faults.damaged(0, rate_hz, "the header contradicts the sound")
                )
            try:
                yield from decode_blocks(decoder, header.format, header.frames, block_frames)
            finally:
                position = decoder.position
    except DecoderStopped as stop:
        fault = _damage(stream, size_bytes, blocks, header, position)
        raise DecodingFault(fault) from stop
    if position < header.frames and header.format.bit_depth not in _LIBSNDFILE_BITS:
        raise DecodingFault(_damage(stream, size_bytes, blocks, header, 0))
    if position < header.frames:
        raise DecodingFault(sound_faults.decoded_short(header.frames, position, rate_hz))


def _is_decodable(info: StreamInfo) -> bool:
    if info.bits in _LIBSNDFILE_BITS:
        return True
    return info.bits <= _MOST_OTHER_BITS and info.channels <= _MOST_OTHER_CHANNELS


def _opened(
    stream: BinaryIO, blocks: FlacBlocks, size: int, form: AudioFormat
) -> Decoder | WordDecoder:
    patch = _block_patch(blocks)
    if form.bit_depth in _LIBSNDFILE_BITS:
        return Decoder(stream, blocks.start, size, patch=patch)
    from stemprep.containers.flac_words import WordDecoder  # slow to load, and rarely needed

    return WordDecoder(stream, blocks.start, size, form, patch)


def _block_patch(blocks: FlacBlocks) -> Patch:
    """The block size of the frames in place of a wrong one: the library would add silence by it."""
    info = blocks.info
    if info is None or not _is_block_size_wrong(info, blocks):
        return NO_PATCH
    return blocks.info_offset - blocks.start, struct.pack(">HH", *[info.samples_per_number] * 2)


def _is_block_size_wrong(info: StreamInfo, blocks: FlacBlocks) -> bool:
    """Tell whether frames that are numbered one by one have another length than STREAMINFO says."""
    first = blocks.first_frame
    if first is None or info.samples_per_number <= 1 or first.frames > _LARGEST_BLOCK:
        return False
    is_alone = 0 < info.total_frames <= first.frames  # the last frame is as long as what is left
    return not is_alone and info.max_block != first.frames


def _damage(
    stream: BinaryIO, size_bytes: int, blocks: FlacBlocks, header: Header, position: int
) -> HeaderFault:
    """Tell a broken end, as a cut copy leaves it, from damage with more sound behind it."""
    assert header.format is not None, "a readable header has a format"
    assert blocks.info is not None, "decoding began with one"
    rate_hz = header.format.sample_rate_hz
    at = first_broken_sample(stream, blocks.sound_offset, size_bytes, blocks.info, position)
    at = min(max(at, position), header.frames)
    if header.frames - at <= blocks.info.max_block:
        return sound_faults.decoded_short(header.frames, at, rate_hz)
    return sound_faults.damaged(at, rate_hz, "a block is broken or fails its own checksum")


def _stored_bytes(codes: Codes, bits: int) -> bytes:
    """What the MD5 is made of: interleaved, signed, little-endian whole bytes (RFC 9639, 8.2)."""
    if bits in (16, 24):
        return encode_codes(codes, bits)
    values = codes >> (32 - bits)
    return values.astype("<i4").view(np.uint8).reshape(-1, 4)[:, : -(-bits // 8)].tobytes()


def _impossible(info: StreamInfo) -> HeaderFault | None:
    if info.max_block < 16 or info.min_block > info.max_block:
        found = f"blocks of {info.min_block} to {info.max_block} samples"
        return faults.impossible("block-size", found, "blocks of at least 16 samples")
    if info.bits < 4:
        return faults.impossible("bits", f"{info.bits} bits per sample", "4 to 32 bits")
    return faults.out_of_range(info.channels, info.sample_rate_hz)


def _format(info: StreamInfo) -> AudioFormat:
    return AudioFormat(
        container="FLAC",
        encoding="integer",
        sample_rate_hz=info.sample_rate_hz,
        channels=info.channels,
        bit_depth=info.bits,
        container_bits=-(-info.bits // 8) * 8,
    )


def _frames(
    stream: BinaryIO, size_bytes: int, blocks: FlacBlocks, info: StreamInfo
) -> tuple[int, list[HeaderFault]]:
    """Frames to decode, and what is wrong with their number: promised against present.

    What cannot be told from the last frame's header is left to the decoder.
    """
    present, stray = _present(stream, size_bytes, blocks, info)
    stated = info.total_frames
    if size_bytes <= blocks.sound_offset:
        return 0, [
            sound_faults.truncated(stated, 0, 0)
            if stated
            else sound_faults.no_sound("no frame at all")
        ]
    if present is None:
        return stated, [] if stated else [sound_faults.no_sound("no frame of FLAC sound")]
    if stated == 0:
        return present, [_open_length(present), *stray]
    if present < stated:
        return present, [sound_faults.truncated(stated, present, 0)]
    if present > stated:
        return stated, [sound_faults.sound_behind_length(stated, present)]
    return stated, stray


def _frame_format(blocks: FlacBlocks, info: StreamInfo) -> list[HeaderFault]:
    """Hold the first frame's header against STREAMINFO; what a frame leaves open agrees."""
    first = blocks.first_frame
    if first is None:
        return []
    by_info = (info.sample_rate_hz, info.channels, info.bits)
    by_frame = (first.rate_hz or by_info[0], first.channels, first.bits or by_info[2])
    if by_info == by_frame:
        return []
    words = form_words(*by_info), form_words(*by_frame)
    return [
        faults.ambiguous(
            "frame-format",
            f"{words[0]} in STREAMINFO, {words[1]} in the first frame",
            "one format",
            f"the file contradicts itself: {words[0]} by its header, {words[1]} by the header of "
            "its first frame; programs differ in which they go by",
        )
    ]


def _changing_format(info: StreamInfo, other: FlacFrame) -> HeaderFault:
    words = (
        form_words(info.sample_rate_hz, info.channels, info.bits),
        form_words(other.rate_hz, other.channels, other.bits),
    )
    return faults.ambiguous(
        "frame-format",
        f"{words[0]} in STREAMINFO, {words[1]} in a later frame",
        "one format",
        f"the sound changes its format on the way: {words[0]} by its header, {words[1]} later; "
        "programs stop there or play it wrong",
    )


def _block_size(info: StreamInfo) -> HeaderFault:
    stated, true = info.max_block, info.samples_per_number
    message = (
        f"the header says blocks of {stated:,} samples, they have {true:,}: some programs put "
        "silence between them or stop"
    )
    fault = faults.repairable("block-size", f"blocks of {stated}", f"blocks of {true}", message)
    return replace(fault, severity="fail")


def _open_length(present: int) -> HeaderFault:
    return faults.repairable(
        "size-placeholder",
        "no length",
        f"{present} frames",
        f"the recording was not closed properly: the header states no length, {present} frames "
        "follow up to the end of the file",
    )


def _present(
    stream: BinaryIO, size_bytes: int, blocks: FlacBlocks, info: StreamInfo
) -> tuple[int | None, list[HeaderFault]]:
    """Frames up to the end of the last frame (None where no frame header is found), bytes behind.

    A last frame that is cut or broken counts where the header promises no sound behind it: the
    decoder will tell.
    """
    largest = largest_frame_bytes(info)
    frame, content, at = None, b"", size_bytes
    end = size_bytes
    while frame is None and at > blocks.sound_offset:
        at = max(blocks.sound_offset, end - 2 * largest - _TAIL_SLACK_BYTES)
        content = read_at(stream, at, end + MAX_HEADER_BYTES - at)[: size_bytes - at]
        if end == size_bytes:
            content = without_old_tag(content)
            size_bytes = at + len(content)
        frame, end = last_frame(content, info), at
    if frame is None:
        return None, []
    behind = frame.start_sample + frame.frames
    content = read_at(stream, at + frame.offset, min(largest, size_bytes - at - frame.offset))
    length = whole_frame_bytes(content)
    if length is None and info.total_frames == 0:
        return frame.start_sample, [sound_faults.cut_frame(frame.start_sample, frame.frames)]
    if length is None:
        return (behind if behind == info.total_frames else frame.start_sample), []
    told = _stray(stream, at + frame.offset + length, size_bytes, info)
    if frame.rate_hz not in (0, info.sample_rate_hz):
        told.append(_changing_format(info, frame))
    return behind, told


def _stray(stream: BinaryIO, start: int, end: int, info: StreamInfo) -> list[HeaderFault]:
    """Tell of bytes behind the last frame of this format that are more than filling."""
    other = form_of_frame(read_at(stream, start, MAX_HEADER_BYTES))
    if other is not None:
        return [_changing_format(info, other)]
    is_filled = any(read_at(stream, start, min(end - start, _TAIL_SLACK_BYTES)))
    return [faults.stray_bytes(end - start, start)] if is_filled else []
