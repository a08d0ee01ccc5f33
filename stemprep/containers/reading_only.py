"""What a container that is read and never written answers when it is asked to write."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

from stemprep.containers.protocol import Metadata
from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.header import AudioFormat, Header


def copy_audio(source: BinaryIO, header: Header, target: BinaryIO, metadata: Metadata) -> None:
    """Raise PrepareError."""
    raise _refusal(header.format)


def write_blocks(
    target: BinaryIO,
    audio_format: AudioFormat,
    blocks: Iterator[SoundBlock],
    metadata: Metadata,
    frames: int,
) -> None:
    """Raise PrepareError."""
    raise _refusal(audio_format)


def _refusal(audio_format: AudioFormat | None) -> PrepareError:
    name = "unknown" if audio_format is None else audio_format.container
    return PrepareError(f"no file of the kind {name} can be written; WAV and RF64 can")
