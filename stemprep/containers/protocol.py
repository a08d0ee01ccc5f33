"""What a container must be able to do, and the metadata that travels with its sound."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO, Protocol

from stemprep.dsp.block import SoundBlock
from stemprep.model.header import AudioFormat, Header, HeaderFault

OnBytes = Callable[[bytes | memoryview], object]

COPY_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Metadata:
    """Chunks that a written file carries besides format and sound.

    chunks:  (identifier, payload) in the order of writing, payloads without pad byte.
    dropped: labels of the source's chunks (``cue ``, ``LIST adtl``) and iXML parts
             (``iXML/SYNC_POINT_LIST``) that are not carried; what is rebuilt is not listed.
    """

    chunks: tuple[tuple[str, bytes], ...] = ()
    dropped: tuple[str, ...] = ()


class DecodingFault(Exception):  # noqa: N818 - it carries a fault of the file, not one of ours
    """Raised by ``read_blocks`` where sound turns out damaged while it is decoded.

    All bytes have then gone to ``on_bytes``. PCM and float in RIFF never raise it.
    """

    def __init__(self, fault: HeaderFault) -> None:
        super().__init__(fault)
        self.fault = fault


class Container(Protocol):
    """One file format; a module with these functions satisfies it.

    NAMES:  values of ``AudioFormat.container`` that this container reads.
    WRITES: those of them that it can write.
    """

    @property
    def NAMES(self) -> frozenset[str]:  # noqa: N802 - a module's constant
        """Names of the formats read."""

    @property
    def WRITES(self) -> frozenset[str]:  # noqa: N802 - a module's constant
        """Names of the formats written."""

    def probe(self, head: bytes) -> bool:
        """Tell from the first bytes of a file (64, fewer in a short file) whether it is ours."""

    def read_header(self, stream: BinaryIO, size_bytes: int) -> Header:
        """Read the structure; every defect becomes a fault, none an exception."""

    def read_blocks(
        self, stream: BinaryIO, header: Header, on_bytes: OnBytes, block_frames: int
    ) -> Iterator[SoundBlock]:
        """Decode; give every byte of the file to ``on_bytes`` once and in order."""

    def copy_audio(
        self, source: BinaryIO, header: Header, target: BinaryIO, metadata: Metadata
    ) -> None:
        """Write the same audio bytes under a header that is right."""

    def write_blocks(
        self,
        target: BinaryIO,
        audio_format: AudioFormat,
        blocks: Iterator[SoundBlock],
        metadata: Metadata,
        frames: int,
    ) -> None:
        """Write ``frames`` frames of sound."""


def pass_through(stream: BinaryIO, on_bytes: OnBytes, size_bytes: int | None = None) -> int:
    """Read on from where the stream stands and give the bytes on; without a size to the end.

    Returns the number of bytes that were there.
    """
    done = 0
    while size_bytes is None or done < size_bytes:
        wanted = COPY_BYTES if size_bytes is None else min(COPY_BYTES, size_bytes - done)
        piece = stream.read(wanted)
        if not piece:
            break
        on_bytes(piece)
        done += len(piece)
    return done
