"""WAV, RF64 and BW64: header, sound, and writing them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO, Final

from stemprep.containers import faults
from stemprep.containers.adm import defined_uids, parse_chna
from stemprep.containers.bext import parse_bext
from stemprep.containers.contradictions import ChunkNames, FormatReading, contradictions
from stemprep.containers.ixml import parse_ixml
from stemprep.containers.markers import label_cues, parse_cues, parse_info, parse_loops
from stemprep.containers.pcm import SLACK_BYTES, decode
from stemprep.containers.protocol import OnBytes, pass_through
from stemprep.containers.riff_chunks import UNKNOWN_SIZE, RiffMap, map_chunks, read_at
from stemprep.containers.riff_writer import copy_audio, write_blocks
from stemprep.containers.sound_range import locate_sound, told_together
from stemprep.containers.wav_format import in_known_words, parse_format
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import (
    AdmTrack,
    AudioFormat,
    Bext,
    Chunk,
    Cue,
    Header,
    HeaderFault,
    Ixml,
    SamplerLoop,
)
from stemprep.model.words import Container

__all__ = ["NAMES", "WRITES", "copy_audio", "probe", "read_blocks", "read_header", "write_blocks"]

NAMES: Final[frozenset[str]] = frozenset({"WAV", "RF64", "BW64"})
WRITES: Final[frozenset[str]] = frozenset({"WAV", "RF64"})
_KINDS: Final[dict[bytes, Container]] = {b"RIFF": "WAV", b"RF64": "RF64", b"BW64": "BW64"}
_NAMES_OF_CHUNKS: Final = ChunkNames(
    format="fmt ",
    sound="data",
    is_format_first=True,
    once=frozenset(
        {"bext", "iXML", "ds64", "fact", "cue ", "smpl", "inst", "cart", "plst", "chna", "axml"}
        | {"LIST", "PEAK", "levl", "umid", "acid"}
    ),
)
_MAX_BLOCK_SAMPLES: Final = 1 << 20


def probe(head: bytes) -> bool:
    """Tell by the first four bytes; true for every RIFF file, WAVE or not."""
    return head[:4] in _KINDS


def read_header(stream: BinaryIO, size_bytes: int, start: int = 0) -> Header:
    """Read all chunks; the sound itself is not touched. start: bytes of a tag in front."""
    head = read_at(stream, start, 12)
    if len(head) < 12:
        found = f"the file ends after {len(head)} bytes, within its first header"
        return Header(format=None, faults=(faults.unreadable(found),))
    if head[8:12] != b"WAVE":
        found = f"a RIFF file of the kind {head[8:12].decode('latin-1')!r}"
        return Header(format=None, faults=(faults.unreadable(found, "the kind 'WAVE'"),))
    riff = map_chunks(stream, size_bytes, start)
    if start:
        riff.faults.append(faults.id3_in_front(start, "RIFF"))
    payload = _format_payload(stream, riff)
    audio_format, format_faults = parse_format(payload, _KINDS[head[:4]])
    audio_format, format_faults = in_known_words(
        stream, payload, riff.data, audio_format, format_faults
    )
    sound = locate_sound(audio_format, riff.data, "data")
    metadata = _read_metadata(stream, riff)
    return Header(
        format=audio_format,
        declared_frames=sound.declared_frames,
        frames=sound.frames,
        data_offset_bytes=sound.offset,
        data_size_bytes=sound.size,
        faults=(
            *told_together(format_faults, sound.faults),
            *riff.faults,
            *_of_the_sizes(_KINDS[head[:4]], riff),
            *contradictions(stream, riff.chunks, _NAMES_OF_CHUNKS, _read_format),
            *metadata.faults,
        ),
        bext=metadata.bext,
        ixml=metadata.ixml,
        cues=metadata.cues,
        info=metadata.info,
        loops=metadata.loops,
        adm_tracks=metadata.adm_tracks,
        adm_uids=metadata.adm_uids,
        chunks=tuple(riff.chunks),
    )


def read_blocks(
    stream: BinaryIO, header: Header, on_bytes: OnBytes, block_frames: int
) -> Iterator[SoundBlock]:
    """One sequential read over the whole file; blocks of up to ``block_frames`` frames.

    With many channels blocks are shorter, so that a block stays within a million samples.
    ``on_bytes`` sees a buffer that is used again: it must not keep it.
    """
    stream.seek(0)
    if header.format is not None and header.data_size_bytes > 0:
        pass_through(stream, on_bytes, header.data_offset_bytes)
        yield from _decoded(stream, header, header.format, on_bytes, block_frames)
    pass_through(stream, on_bytes)


@dataclass(slots=True)
class _Metadata:
    bext: Bext | None = None
    ixml: Ixml | None = None
    cues: tuple[Cue, ...] = ()
    info: tuple[tuple[str, str], ...] = ()
    loops: tuple[SamplerLoop, ...] = ()
    adm_tracks: tuple[AdmTrack, ...] = ()
    adm_uids: tuple[str, ...] | None = None
    faults: list[HeaderFault] = field(default_factory=list)


def _format_payload(stream: BinaryIO, riff: RiffMap) -> bytes | None:
    chunk = riff.find("fmt ")
    if chunk is None:
        return None
    return read_at(stream, chunk.offset_bytes, min(chunk.size_bytes, 256))


def _read_format(payload: bytes) -> FormatReading:
    return parse_format(payload, "WAV")[0], ""


def _of_the_sizes(kind: Container, riff: RiffMap) -> Iterator[HeaderFault]:
    """What is wrong with the 64-bit sizes; nothing in a plain WAV."""
    if kind == "WAV" or riff.data is None:
        return
    if not riff.sizes64:
        yield faults.sizes_missing(kind)
    elif riff.stated_size not in (UNKNOWN_SIZE, riff.sizes64[b"data"]):
        yield faults.data_size(riff.stated_size, riff.sizes64[b"data"])


def _read_metadata(stream: BinaryIO, riff: RiffMap) -> _Metadata:
    """Read what is understood, the first of each kind, within the limit on metadata."""
    found = _Metadata()
    payloads = _Payloads(stream, riff, found.faults)
    bext = payloads.first("bext")
    if bext is not None:
        found.bext, problem = parse_bext(bext)
        _tell(found.faults, "bext", problem)
    ixml = payloads.first("iXML")
    if ixml is not None:
        found.ixml, problem = parse_ixml(ixml)
        _tell(found.faults, "iXML", problem)
    cues = parse_cues(payloads.first("cue ") or b"")
    found.cues = label_cues(cues, payloads.first("LIST", "adtl") or b"")
    found.info = parse_info(payloads.first("LIST", "INFO") or b"")
    found.loops = parse_loops(payloads.first("smpl") or b"")
    found.adm_tracks = parse_chna(payloads.first("chna") or b"")
    axml = payloads.first("axml")
    found.adm_uids = None if axml is None else defined_uids(axml)
    return found


def _tell(told: list[HeaderFault], identifier: str, problem: str) -> None:
    if problem:
        told.append(faults.broken_metadata(identifier, problem))


class _Payloads:
    """Metadata chunks by name, never more than the limit altogether."""

    def __init__(self, stream: BinaryIO, riff: RiffMap, told: list[HeaderFault]) -> None:
        self._stream = stream
        self._riff = riff
        self._told = told
        self._left = faults.MAX_METADATA_BYTES

    def first(self, identifier: str, form: str = "") -> bytes | None:
        chunk = self._riff.find(identifier, form)
        if chunk is None:
            return None
        if chunk.size_bytes > self._left:
            self._told.append(_too_large(chunk))
            return None
        self._left -= chunk.size_bytes
        return read_at(self._stream, chunk.offset_bytes, chunk.size_bytes)


def _too_large(chunk: Chunk) -> HeaderFault:
    found = f"a chunk '{chunk.identifier}' of {chunk.size_bytes} bytes"
    limit = f"at most {faults.MAX_METADATA_BYTES} bytes of metadata"
    return faults.remark("metadata-too-large", found, limit, f"{found} is not read: {limit}")


def _decoded(
    stream: BinaryIO,
    header: Header,
    audio_format: AudioFormat,
    on_bytes: OnBytes,
    block_frames: int,
) -> Iterator[SoundBlock]:
    align = audio_format.frame_bytes
    frames = max(1, min(block_frames, _MAX_BLOCK_SAMPLES // audio_format.channels))
    buffer = bytearray(frames * align + SLACK_BYTES)
    left = header.data_size_bytes
    while left > 0:
        present = _fill(stream, memoryview(buffer)[: min(left, frames * align)])
        on_bytes(memoryview(buffer)[:present])
        if present // align:
            yield decode(buffer, present // align, audio_format)
        left = left - present if present == min(left, frames * align) else 0


def _fill(stream: BinaryIO, target: memoryview) -> int:
    """Fill the target from a stream that may give less at a time; the number of bytes read."""
    read_into = getattr(stream, "readinto", None) or (lambda view: _read_into(stream, view))
    filled = 0
    while filled < len(target):
        count = read_into(target[filled:])
        if not count:
            break
        filled += count
    return filled


def _read_into(stream: BinaryIO, view: memoryview) -> int:
    piece = stream.read(len(view))
    view[: len(piece)] = piece
    return len(piece)
