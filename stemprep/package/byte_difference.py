"""Where a damaged file differs from a whole one, byte by byte, in constant memory."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stemprep.package.copying import BLOCK_BYTES
from stemprep.package.descriptors import opened_file, opened_folder

MAX_PLACES = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class ByteDifference:
    """Two files against each other over the length that both have; positions are 0-based.

    bytes_differ, bits_differ: how many. first, last: where; None where all that both have is equal.
    places: (byte, bits that differ there), of the first ten bytes that differ.
    """

    damaged_bytes: int
    whole_bytes: int
    bytes_differ: int
    bits_differ: int
    first: int | None
    last: int | None
    places: tuple[tuple[int, int], ...]


def byte_difference(
    damaged_root: Path, damaged_path: str, whole_root: Path, whole_path: str
) -> ByteDifference:
    """Hold a file of a package against that of another copy; raises OSError."""
    with (
        opened_folder(damaged_root, is_link_allowed=True) as damaged_folder,
        opened_folder(whole_root, is_link_allowed=True) as whole_folder,
        opened_file(damaged_folder, damaged_path) as damaged_file,
        opened_file(whole_folder, whole_path) as whole_file,
        open(damaged_file, "rb", closefd=False) as damaged,
        open(whole_file, "rb", closefd=False) as whole,
    ):
        place = bytes_differ = bits_differ = 0
        first: int | None = None
        last: int | None = None
        places: list[tuple[int, int]] = []
        ours, theirs = damaged.read(BLOCK_BYTES), whole.read(BLOCK_BYTES)
        while shared := min(len(ours), len(theirs)):
            if ours != theirs:
                changed = _bits(ours[:shared]) ^ _bits(theirs[:shared])
                here = np.flatnonzero(changed)
                if here.size:
                    bits = np.unpackbits(changed[here, np.newaxis], axis=1).sum(axis=1)
                    bytes_differ += int(here.size)
                    bits_differ += int(bits.sum())
                    first = place + int(here[0]) if first is None else first
                    last = place + int(here[-1])
                    room = MAX_PLACES - len(places)
                    places += [
                        (place + int(at), int(count))
                        for at, count in zip(here[:room], bits[:room], strict=True)
                    ]
            place += shared
            if shared < max(len(ours), len(theirs)):
                break
            ours, theirs = damaged.read(BLOCK_BYTES), whole.read(BLOCK_BYTES)
        return ByteDifference(
            damaged_bytes=damaged.seek(0, 2),
            whole_bytes=whole.seek(0, 2),
            bytes_differ=bytes_differ,
            bits_differ=bits_differ,
            first=first,
            last=last,
            places=tuple(places),
        )


def _bits(block: bytes) -> npt.NDArray[np.uint8]:
    return np.frombuffer(block, np.uint8)
