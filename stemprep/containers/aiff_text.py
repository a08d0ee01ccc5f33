"""Markers, names and comments of an AIFF or AIFC file."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from typing import BinaryIO, Final

from stemprep.containers import faults
from stemprep.containers.markers import plain_text
from stemprep.containers.riff_chunks import read_at
from stemprep.model.header import Chunk, Cue

_TEXTS: Final = frozenset({"NAME", "AUTH", "(c) ", "ANNO"})
_MAX_TEXT_BYTES: Final = 65_536


def read_markers(payload: bytes) -> tuple[Cue, ...]:
    """Markers of a ``MARK`` payload; as many as are really there, whatever it counts."""
    return tuple(_markers(payload))


def read_info(stream: BinaryIO, chunks: Sequence[Chunk]) -> tuple[tuple[str, str], ...]:
    """Texts in file order as (chunk identifier, text); comments without their dates."""
    found: list[tuple[str, str]] = []
    left = faults.MAX_METADATA_BYTES
    for chunk in chunks:
        if chunk.identifier not in _TEXTS and chunk.identifier != "COMT":
            continue
        payload = read_at(stream, chunk.offset_bytes, min(chunk.size_bytes, _MAX_TEXT_BYTES, left))
        left -= len(payload)
        texts = _comments(payload) if chunk.identifier == "COMT" else (plain_text(payload),)
        found += [(chunk.identifier.strip(), text) for text in texts]
    return tuple(found)


def _markers(payload: bytes) -> Iterator[Cue]:
    position = 2
    for _ in range(_count(payload)):
        if position + 7 > len(payload):
            return
        identifier, place, length = struct.unpack_from(">HIB", payload, position)
        label = plain_text(payload[position + 7 : position + 7 + length])
        yield Cue(identifier=identifier, position_samples=place, label=label)
        position += 7 + length + (1 - length % 2)


def _comments(payload: bytes) -> Iterator[str]:
    position = 2
    for _ in range(_count(payload)):
        if position + 8 > len(payload):
            return
        (length,) = struct.unpack_from(">H", payload, position + 6)
        yield plain_text(payload[position + 8 : position + 8 + length])
        position += 8 + length + length % 2


def _count(payload: bytes) -> int:
    return int.from_bytes(payload[:2], "big")
