"""Walking over the chunks of the containers that are not RIFF: AIFF, CAF and W64."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import BinaryIO, Final

from stemprep.containers import faults
from stemprep.containers.riff_chunks import read_at
from stemprep.containers.second_recording import HEAD_BYTES, second_recording
from stemprep.containers.sound_range import DataRange
from stemprep.model.header import Chunk, HeaderFault

OPEN_SIZES: Final = frozenset({0x7FFFFFFF, 0xFFFFFFFF, 2**63 - 1, 2**64 - 1})
"""Sizes that writers leave where they cannot go back (from memory)."""

_PIECE_BYTES: Final = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkLayout:
    """How one container writes its chunks.

    head_bytes:  bytes in front of each payload.
    alignment:   chunks start at multiples of this.
    sound:       identifier of the chunk that holds the sound.
    empty_bytes: payload size of a sound chunk without sound.
    read_head:   identifier ("" where it cannot be one) and payload size (negative: left open).
    """

    head_bytes: int
    alignment: int
    sound: str
    empty_bytes: int
    read_head: Callable[[bytes], tuple[str, int]]


@dataclass(slots=True)
class ChunkMap:
    """What a walk has found: whole chunks in file order, the payload of the sound, faults.

    in_order: the same chunks with those of the sound among them, as much as is there of each.
    """

    chunks: list[Chunk] = field(default_factory=list)
    in_order: list[Chunk] = field(default_factory=list)
    sound: DataRange | None = None
    faults: list[HeaderFault] = field(default_factory=list)

    def payload(self, stream: BinaryIO, identifier: str, at_most: int) -> bytes | None:
        """Give the first chunk of this identifier, up to ``at_most`` bytes of it."""
        chunk = next((known for known in self.chunks if known.identifier == identifier), None)
        if chunk is None:
            return None
        return read_at(stream, chunk.offset_bytes, min(chunk.size_bytes, at_most))

    def judge_outer_size(self, declared: int, size_bytes: int, slack_bytes: int) -> None:
        """Outer size against the file; silent where another fault explains the difference."""
        sound = self.sound
        is_whole = sound is not None and sound.declared == sound.present and not self.faults
        if is_whole and abs(declared - size_bytes) > slack_bytes:
            self.faults.append(faults.riff_size(declared, size_bytes))


def four_letters(head: bytes) -> str:
    """Identifier at the start of a chunk's head; "" where the bytes are none."""
    is_name = all(0x20 <= byte < 0x7F for byte in head[:4])
    return head[:4].decode("ascii") if is_name else ""


def walk_chunks(stream: BinaryIO, size_bytes: int, start: int, layout: ChunkLayout) -> ChunkMap:
    """Walk from ``start`` to the end, or to where no chunk can be; bounded work."""
    walk = _Walk(stream, size_bytes, start, layout)
    while walk.is_on and walk.position + layout.head_bytes <= size_bytes:
        walk.step()
    walk.judge_end()
    return walk.map


def by_rewrapping(told: list[HeaderFault]) -> tuple[HeaderFault, ...]:
    """Name the cure that these containers have: none of them is written again as it is."""
    return tuple(
        replace(fault, repair="rewrap") if fault.repair == "copy-audio" else fault for fault in told
    )


class _Walk:
    def __init__(self, stream: BinaryIO, size: int, start: int, layout: ChunkLayout) -> None:
        self._stream = stream
        self._size = size
        self._layout = layout
        self.position = start
        self.is_on = True
        self.map = ChunkMap()

    def step(self) -> None:
        if self.map.sound is not None and self._is_second_recording():
            return
        identifier, size = self._head(self.position)
        offset = self.position + self._layout.head_bytes
        if not identifier or len(self.map.chunks) >= faults.MAX_CHUNKS:
            self.is_on = False
        elif identifier == self._layout.sound and self.map.sound is None:
            self._enter_sound(offset, size)
        elif size < 0 or offset + size > self._size:
            self._overrun(identifier, offset, size)
        else:
            chunk = self._enter(identifier, offset, size)
            if identifier != self._layout.sound:
                self.map.chunks.append(chunk)
            self._leave(offset + size)

    def _is_second_recording(self) -> bool:
        """Tell where another file begins; its chunks are none of this one's."""
        head = read_at(self._stream, self.position, HEAD_BYTES)
        fault = second_recording(head, self.position)
        if fault is not None:
            self.map.faults.append(fault)
            self.is_on = False
        return fault is not None

    def _enter(self, identifier: str, offset: int, size: int) -> Chunk:
        chunk = Chunk(identifier=identifier, offset_bytes=offset, size_bytes=size)
        self.map.in_order.append(chunk)
        return chunk

    def judge_end(self) -> None:
        """Tell of bytes behind the last chunk that are more than filling."""
        sound = self.map.sound
        is_short = sound is None or sound.declared is None or sound.declared > sound.present
        count = self._size - self.position
        if is_short or self.map.faults or count <= 0:
            return
        if any(read_at(self._stream, self.position, _PIECE_BYTES)):
            self.map.faults.append(faults.stray_bytes(count, self.position))

    def _head(self, position: int) -> tuple[str, int]:
        head = read_at(self._stream, position, self._layout.head_bytes)
        return self._layout.read_head(head) if len(head) == self._layout.head_bytes else ("", 0)

    def _enter_sound(self, offset: int, size: int) -> None:
        rest = self._size - offset
        is_open = size < 0 or size in OPEN_SIZES or self._is_forgotten(offset, size)
        present = rest if is_open else min(size, rest)
        declared = None if is_open else size
        self.map.sound = DataRange(offset, declared, size, present)
        self._enter(self._layout.sound, offset, present)
        self._leave(offset + present)

    def _is_forgotten(self, offset: int, size: int) -> bool:
        """Tell whether a sound chunk says that it is empty while bytes of no chunk follow."""
        if size > self._layout.empty_bytes or self._size - offset <= self._layout.empty_bytes:
            return False
        identifier, following = self._head(self._aligned(offset + size))
        behind = self._aligned(offset + size) + self._layout.head_bytes
        return not identifier or following < 0 or behind + following > self._size

    def _overrun(self, identifier: str, offset: int, size: int) -> None:
        self.is_on = False
        if identifier == self._layout.sound:  # a second one: as much sound as is left of it
            self._enter(identifier, offset, self._size - offset)
        if self.map.sound is None:
            found = f"a chunk '{identifier}' of {size} bytes"
            self.map.faults.append(
                faults.impossible("chunk-size", found, "a size that ends within the file")
            )
        else:
            self.map.faults.append(faults.chunk_cut(identifier, size, self._size - offset))

    def _leave(self, end: int) -> None:
        self.position = min(self._aligned(end), self._size)

    def _aligned(self, position: int) -> int:
        return -(-position // self._layout.alignment) * self._layout.alignment
