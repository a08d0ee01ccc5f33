"""The chunks of a RIFF, RF64 or BW64 file: where they lie, and what is wrong with them.

Sources: RIFF (1991) for chunk and pad byte; EBU Tech 3306 and ITU-R BS.2088 for ds64.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import BinaryIO, Final

from stemprep.containers import faults
from stemprep.containers.second_recording import HEAD_BYTES, second_recording
from stemprep.containers.sound_range import DataRange
from stemprep.model.header import Chunk, HeaderFault

UNKNOWN_SIZE: Final = 0xFFFFFFFF
_STREAMING_SIZES: Final = frozenset({UNKNOWN_SIZE, 0x7FFFFFFF, 0x7FFFF000, 2**64 - 1})
"""Sizes that writers leave where they cannot go back (from memory: the last two of 32 bits)."""
_RIFF_HEADER_BYTES: Final = 12
_SEARCH_BYTES: Final = 16_000_000
_PIECE_BYTES: Final = 1 << 20
_MAX_MATCHES: Final = 1000
"""Looked at in one piece; a file that needs more is made to keep us busy."""
_FORMAT_BYTES = frozenset({16, 18, 40})
_PRINTABLE = frozenset(range(0x20, 0x7F))


@dataclass(slots=True)
class RiffMap:
    """What a walk over all chunks has found; chunk sizes are what is really there.

    stated_size: 32-bit size of the sound as its own chunk states it.
    sizes64:     what a ds64 chunk in front of the sound states.
    """

    chunks: list[Chunk] = field(default_factory=list)
    faults: list[HeaderFault] = field(default_factory=list)
    data: DataRange | None = None
    stated_size: int = 0
    sizes64: dict[bytes, int] = field(default_factory=dict)

    def find(self, identifier: str, form: str = "") -> Chunk | None:
        """Find the first chunk of this identifier (and list type)."""
        wanted = (chunk for chunk in self.chunks if chunk.identifier == identifier)
        return next((chunk for chunk in wanted if chunk.form == form), None)


def map_chunks(stream: BinaryIO, size_bytes: int, start: int = 0) -> RiffMap:
    """Walk over all chunks of a file with a RIFF header of 12 bytes at ``start``; bounded work."""
    walk = _Walk(stream, size_bytes, start)
    walk.run()
    return walk.map


def read_at(stream: BinaryIO, offset: int, size: int) -> bytes:
    """Up to ``size`` bytes from ``offset``."""
    stream.seek(offset)
    return stream.read(size)


class _Walk:
    def __init__(self, stream: BinaryIO, size_bytes: int, start: int) -> None:
        self._stream = stream
        self._size = size_bytes
        self._start = start
        self._position = start + _RIFF_HEADER_BYTES
        self._sizes64: dict[bytes, int] = {}
        self._is_lost = False
        self.map = RiffMap()

    def run(self) -> None:
        while self._position + 8 <= self._size and not self._is_lost:
            if len(self.map.chunks) >= faults.MAX_CHUNKS:
                self._tell_too_many()
                return
            self._step()
        self._judge_end()

    def _step(self) -> None:
        if self.map.data is not None and self._is_second_recording():
            return
        identifier, size = self._head(self._position)
        if not _is_identifier(identifier):
            self._search_on()
            return
        offset = self._position + 8
        if size == UNKNOWN_SIZE:
            size = self._sizes64.get(identifier, size)
        if identifier == b"data" and self.map.data is None:
            self.map.stated_size = self._head(self._position)[1]
            self.map.sizes64 = self._sizes64
            self._enter_data(offset, size)
        elif offset + size > self._size:
            self._overrun(identifier, offset, size)
        else:
            self._enter(identifier, offset, size)
            self._leave(identifier, offset + size, size)

    def _is_second_recording(self) -> bool:
        """Tell where another file begins; its chunks are none of this one's."""
        head = read_at(self._stream, self._position, HEAD_BYTES)
        fault = second_recording(head, self._position)
        if fault is not None:
            self.map.faults.append(fault)
            self._position = self._size
        return fault is not None

    def _enter(self, identifier: bytes, offset: int, size: int) -> None:
        form = read_at(self._stream, offset, 4) if identifier == b"LIST" and size >= 4 else b""
        self.map.chunks.append(
            Chunk(
                identifier=identifier.decode("latin-1"),
                offset_bytes=offset,
                size_bytes=size,
                form=form.decode("latin-1"),
            )
        )
        if identifier == b"ds64" and not self._sizes64:
            self._sizes64 = _sizes64(read_at(self._stream, offset, min(size, 4096)))

    def _leave(self, identifier: bytes, end: int, size: int) -> None:
        """Step over the pad byte, present or missing."""
        self._position = end + (size & 1)
        if not size & 1:
            return
        is_last = end >= self._size
        if is_last or (self._is_head(end) and not self._is_head(end + 1)):
            self._position = end
            self.map.faults.append(faults.missing_pad(identifier.decode("latin-1"), is_last))

    def _enter_data(self, offset: int, size: int) -> None:
        present = self._size - offset
        if self._is_placeholder(offset, size, present):
            self.map.data = DataRange(offset, None, size, present)
        else:
            self.map.data = DataRange(offset, size, size, min(size, present))
        self._enter(b"data", offset, self.map.data.present)
        if size > present or self.map.data.declared is None:
            self._position = self._size
        else:
            self._leave(b"data", offset + size, size)

    def _is_placeholder(self, offset: int, size: int, present: int) -> bool:
        """Tell a size that was never written back, or one that went round the 32 bits."""
        if size == 0:
            return present > 0 and not self._is_chain(offset)
        if size > present:
            return size in _STREAMING_SIZES
        is_wrapped = size < UNKNOWN_SIZE and present - size >= UNKNOWN_SIZE - 15
        return is_wrapped and not self._is_chain(offset + size + (size & 1))

    def _overrun(self, identifier: bytes, offset: int, size: int) -> None:
        """Deal with a chunk other than the sound that would reach past the end of the file."""
        name = identifier.decode("latin-1")
        if identifier == b"data":  # a second one: as much sound as is left of it
            self._enter(identifier, offset, self._size - offset)
        found = self._search(offset)
        self._position = self._size if found is None else found
        if found is not None:
            self.map.faults.append(faults.chunk_size(name, size))
        elif self.map.data is not None:
            self.map.faults.append(faults.chunk_cut(name, size, self._size - offset))

    def _search_on(self) -> None:
        """Look for what is missing where the chain of sizes leads nowhere."""
        found = self._search(self._position)
        if found is None:
            self._is_lost = True
            return
        last = self.map.chunks[-1] if self.map.chunks else None
        name, size = ("RIFF", self._outer_size()) if last is None else _name_and_size(last)
        self.map.faults.append(faults.chunk_size(name, size))
        self._position = found

    def _search(self, start: int) -> int | None:
        """Find the first head of a format or sound chunk that is still missing."""
        names = [b"fmt "] if self.map.find("fmt ") is None else []
        names += [b"data"] if self.map.data is None else []
        if not names:
            return None
        pattern = re.compile(b"|".join(names))
        end = min(self._size, start + _SEARCH_BYTES)
        for position in range(start, end, _PIECE_BYTES - 8):
            piece = read_at(self._stream, position, _PIECE_BYTES)
            for match in islice(pattern.finditer(piece), _MAX_MATCHES):
                if self._is_plausible(match.group(), position + match.start()):
                    return position + match.start()
        return None

    def _is_plausible(self, identifier: bytes, position: int) -> bool:
        size = self._head(position)[1]
        if identifier == b"fmt ":
            return size in _FORMAT_BYTES
        return size == 0 or size in _STREAMING_SIZES or position + 8 + size <= self._size

    def _head(self, position: int) -> tuple[bytes, int]:
        head = read_at(self._stream, position, 8).ljust(8, b"\0")
        return head[:4], struct.unpack_from("<I", head, 4)[0]

    def _is_head(self, position: int) -> bool:
        """Tell whether a chunk could start: printable name, size within the file."""
        identifier, size = self._head(position)
        return _is_identifier(identifier) and position + 8 + size <= self._size

    def _is_chain(self, position: int) -> bool:
        """Tell whether chunks follow each other from here exactly to the end of the file."""
        for _ in range(64):
            if position >= self._size:
                return True
            if not self._is_head(position):
                return False
            size = self._head(position)[1]
            position += 8 + size + (size & 1)
        return False

    def _tell_too_many(self) -> None:
        limit = faults.MAX_CHUNKS
        self.map.faults.append(
            faults.remark(
                "too-many-chunks",
                f"more than {limit} chunks",
                f"at most {limit}",
                f"the file has more than {limit} chunks; those behind are not read",
            )
        )

    def _judge_end(self) -> None:
        """Outer size and what lies behind the last chunk; silent where a cause is already told."""
        data = self.map.data
        is_short = data is None or data.declared is None or data.declared > data.present
        told = {fault.code for fault in self.map.faults}
        if is_short or told & {"chunk-size", "chunk-cut", "second-stream"}:
            return
        if self._position < self._size:
            self._judge_stray()
        elif abs(self._outer_size() + 8 - (self._size - self._start)) > 1:
            present = self._size - self._start
            self.map.faults.append(faults.riff_size(self._outer_size() + 8, present))

    def _judge_stray(self) -> None:
        count = self._size - self._position
        if any(read_at(self._stream, self._position, _PIECE_BYTES)):
            self.map.faults.append(faults.stray_bytes(count, self._position))

    def _outer_size(self) -> int:
        size = self._head(self._start)[1]
        return self._sizes64.get(b"RIFF", size) if size == UNKNOWN_SIZE else size


def _name_and_size(chunk: Chunk) -> tuple[str, int]:
    return chunk.identifier, chunk.size_bytes


def _is_identifier(identifier: bytes) -> bool:
    return all(byte in _PRINTABLE for byte in identifier)


def _sizes64(payload: bytes) -> dict[bytes, int]:
    """Read the 64-bit sizes of a ds64 chunk by chunk name; ``RIFF`` is the outer one."""
    if len(payload) < 16:
        return {}
    riff, data = struct.unpack_from("<QQ", payload)
    return dict(_table64(payload)) | {b"RIFF": riff, b"data": data}


def _table64(payload: bytes) -> Iterator[tuple[bytes, int]]:
    if len(payload) < 28:
        return
    (count,) = struct.unpack_from("<I", payload, 24)
    for entry in range(min(count, (len(payload) - 28) // 12)):
        identifier, size = struct.unpack_from("<4sQ", payload, 28 + 12 * entry)
        yield identifier, size
