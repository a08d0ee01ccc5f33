"""Chunks that come twice or too late: where one file can be read in two ways, both are told."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO, Final

from stemprep.containers import faults
from stemprep.containers.bext import parse_bext
from stemprep.containers.riff_chunks import read_at
from stemprep.model.header import AudioFormat, Chunk, HeaderFault

_PIECE_BYTES: Final = 1 << 20
_FORMAT_BYTES: Final = 256
_BEXT_BYTES: Final = 4096

FormatReading = tuple[AudioFormat | None, str]
"""What a format chunk says: the format (None where it is none), and in words what that leaves out.

Two chunks are alike where both are.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkNames:
    """What the chunks of one container are called, and which of them may come only once.

    is_format_first:  the sound may not stand before its format.
    sound_head_bytes: what stands in the sound's chunk in front of the sound.
    once:             metadata that states something of the whole file.
    """

    format: str
    sound: str
    is_format_first: bool
    sound_head_bytes: int = 0
    once: frozenset[str] = frozenset()


def contradictions(
    stream: BinaryIO,
    chunks: Sequence[Chunk],
    names: ChunkNames,
    read_format: Callable[[bytes], FormatReading],
) -> Iterator[HeaderFault]:
    """Yield a fault for each kind of chunk that comes twice, and one for a format too late.

    chunks: all of the file in its order, every one that holds sound among them.
    """
    by_name: dict[str, list[Chunk]] = {}
    for chunk in chunks:
        by_name.setdefault(chunk.identifier, []).append(chunk)
    formats, sounds = by_name.get(names.format, []), by_name.get(names.sound, [])
    if names.is_format_first and formats and sounds:
        yield from _order(formats[0], sounds[0])
    yield from _formats(stream, formats, read_format)
    form = read_format(_payload(stream, formats[0]))[0] if formats else None
    yield from _sounds(stream, sounds, names, form)
    for name in sorted(names.once & by_name.keys()):
        yield from _metadata(stream, by_name[name])


def _order(form: Chunk, sound: Chunk) -> Iterator[HeaderFault]:
    if form.offset_bytes < sound.offset_bytes:
        return
    found = f"the chunk '{sound.identifier}' stands before '{form.identifier}'"
    required = f"'{form.identifier}' first"
    message = f"{found}: many programs do not open such a file, or find no sound in it"
    yield faults.repairable("chunk-order", found, required, message)


def _formats(
    stream: BinaryIO, chunks: Sequence[Chunk], read_format: Callable[[bytes], FormatReading]
) -> Iterator[HeaderFault]:
    if len(chunks) < 2:
        return
    readings = [read_format(_payload(stream, chunk)) for chunk in chunks]
    other = next((reading for reading in readings if reading != readings[0]), None)
    found = f"{len(chunks)} chunks '{chunks[0].identifier}'"
    if other is None:
        yield faults.remark(
            "second-format", found, "one", f"the file has {found}; they say the same"
        )
        return
    first, second = _format_words(readings[0]), _format_words(other)
    yield faults.ambiguous(
        "second-format",
        f"{first}; {second}",
        "one format",
        f"the file has {found} that contradict each other: {first} by the first, {second} by "
        "another; it was measured by the first, other programs may go by the last",
    )


def _sounds(
    stream: BinaryIO, chunks: Sequence[Chunk], names: ChunkNames, form: AudioFormat | None
) -> Iterator[HeaderFault]:
    if len(chunks) < 2:
        return
    first, *others = chunks
    found = f"{len(chunks)} chunks '{names.sound}'"
    sounding = [chunk for chunk in others if chunk.size_bytes > names.sound_head_bytes]
    is_first_empty = first.size_bytes <= names.sound_head_bytes
    if not sounding or all(_is_same(stream, first, chunk) for chunk in sounding):
        what = "the others hold nothing" if not sounding else "all hold the same sound"
        message = f"the file has {found}, {what}; some programs refuse it or read it as empty"
        if not (is_first_empty and sounding):
            yield faults.repairable("second-data", found, "one", message)
            return
    lengths = [_length_words(chunk, names, form) for chunk in chunks[:3]]
    more = ", ..." if len(chunks) > 3 else ""
    yield faults.ambiguous(
        "second-data",
        f"{found}: {', '.join(lengths)}{more}",
        "one",
        f"the file has {found} with different sound: {', '.join(lengths)}{more}; only the first "
        "was measured, other programs refuse the file or read another one",
    )


def _metadata(stream: BinaryIO, chunks: Sequence[Chunk]) -> Iterator[HeaderFault]:
    by_form: dict[str, list[Chunk]] = {}
    for chunk in chunks:
        by_form.setdefault(chunk.form, []).append(chunk)
    for alike in by_form.values():
        if len(alike) > 1:
            yield _twice(stream, alike)


def _twice(stream: BinaryIO, chunks: Sequence[Chunk]) -> HeaderFault:
    first, *others = chunks
    name = f"{first.identifier.strip()} {first.form}".strip()
    code = "second-bext" if name == "bext" else "second-chunk"
    found = f"{len(chunks)} chunks '{name}'"
    other = next((chunk for chunk in others if not _is_same(stream, first, chunk)), None)
    if other is None:
        message = f"the file has {found}; they say the same"
        return faults.remark(code, found, "one", message)
    if name == "bext":
        starts = [_start(stream, chunk) for chunk in chunks]
        second = next((start for start in starts if start != starts[0]), starts[0])
        if second != starts[0]:
            return faults.ambiguous(
                code,
                f"starts at sample {starts[0]} and at sample {second}",
                "one start",
                f"the file has {found} with different time references, {_start_words(starts[0])} "
                f"and {_start_words(second)}: where it belongs depends on the program that opens "
                "it; the first was taken",
            )
    return faults.doubtful(
        code,
        found,
        "one",
        f"the file has {found} that differ ({first.size_bytes:,} and {other.size_bytes:,} bytes); "
        "the first was read, other programs may go by the last",
    )


def _start(stream: BinaryIO, chunk: Chunk) -> int | None:
    bext, _ = parse_bext(read_at(stream, chunk.offset_bytes, min(chunk.size_bytes, _BEXT_BYTES)))
    return None if bext is None else bext.time_reference_samples


def _start_words(start: int | None) -> str:
    return "none" if start is None else f"sample {start:,}"


def _payload(stream: BinaryIO, chunk: Chunk) -> bytes:
    return read_at(stream, chunk.offset_bytes, min(chunk.size_bytes, _FORMAT_BYTES))


def _format_words(reading: FormatReading) -> str:
    form, more = reading
    if form is None:
        return "no format that can be read"
    channels = "1 channel" if form.channels == 1 else f"{form.channels} channels"
    words = f"{form.sample_rate_hz:,} Hz, {channels}, {form.bit_depth} bits {form.encoding}"
    return f"{words}, {more}" if more else words


def _length_words(chunk: Chunk, names: ChunkNames, form: AudioFormat | None) -> str:
    size = max(0, chunk.size_bytes - names.sound_head_bytes)
    if form is None or not form.frame_bytes:
        return f"{size:,} bytes"
    return f"{size // form.frame_bytes:,} samples a channel"


def _is_same(stream: BinaryIO, one: Chunk, other: Chunk) -> bool:
    """Compare two payloads, piece by piece."""
    if one.size_bytes != other.size_bytes:
        return False
    for done in range(0, one.size_bytes, _PIECE_BYTES):
        size = min(_PIECE_BYTES, one.size_bytes - done)
        first = read_at(stream, one.offset_bytes + done, size)
        if first != read_at(stream, other.offset_bytes + done, size):
            return False
    return True
