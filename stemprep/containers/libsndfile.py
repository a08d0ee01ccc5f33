"""Decoding through the sound file library, forwards only and with an account of where it stands.

The library is never asked to seek: behind damage it would go on as if nothing had happened.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any, BinaryIO, Final, Protocol, Self

import numpy as np
import numpy.typing as npt
import soundfile

from stemprep.containers.pcm import samples_of
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import AudioFormat

_MAX_BLOCK_SAMPLES: Final = 1 << 20


Patch = tuple[int, bytes]
NO_PATCH: Final[Patch] = (0, b"")


class DecoderStopped(Exception):  # noqa: N818 - damage of the file, not an error of ours
    """The library could not go on; the decoder's position tells where."""


class Decoder:
    """A range of an open stream as sound.

    position: frames of the reads that succeeded; in the next one the library may have filled in
    silence before it stopped. ``raw`` says what the samples are where the range holds
    nothing but samples; without it the range must start with a header that the library knows.
    ``patch``: (place in the range, bytes) that the library is shown instead of what stands there.
    """

    def __init__(
        self,
        stream: BinaryIO,
        offset: int,
        size: int,
        raw: dict[str, Any] | None = None,
        patch: Patch = NO_PATCH,
    ) -> None:
        """Open the range; raises DecoderStopped where the library refuses it."""
        self.position = 0
        self._range = ByteRange(stream, offset, size, patch)
        try:
            self._file = ForwardFile(self._range, **(raw or {}))
        except soundfile.SoundFileRuntimeError as error:
            self._range.raise_error()
            raise DecoderStopped(reason_of(error)) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    @property
    def channels(self) -> int:
        """Channels as the library sees them."""
        return int(self._file.channels)

    @property
    def sample_rate_hz(self) -> int:
        """Sample rate as the library sees it."""
        return int(self._file.samplerate)

    def read(self, frames: int, kind: str) -> npt.NDArray[Any]:
        """Up to ``frames`` frames, shape (frames, channels); none at the end.

        kind: ``int32`` (left-justified) or ``float64``. Raises DecoderStopped at damage.
        """
        target: npt.NDArray[Any] = np.empty((frames, self.channels), kind)
        try:
            got: npt.NDArray[Any] = self._file.read(frames, dtype=kind, always_2d=True, out=target)
        except soundfile.SoundFileRuntimeError as error:
            self._range.raise_error()
            raise DecoderStopped(reason_of(error)) from error
        self._range.raise_error()
        self.position += len(got)
        return got


class ReadsOnwards(Protocol):
    """What blocks are made from."""

    def read(self, frames: int, kind: str) -> npt.NDArray[Any]:
        """Up to ``frames`` frames, shape (frames, channels); none at the end."""


def decode_blocks(
    decoder: ReadsOnwards, audio_format: AudioFormat, frames: int, block_frames: int
) -> Iterator[SoundBlock]:
    """Blocks of up to ``block_frames`` frames until ``frames`` are decoded or no more come."""
    kind = "float64" if audio_format.encoding == "float" else "int32"
    largest = max(1, min(block_frames, _MAX_BLOCK_SAMPLES // audio_format.channels))
    left = frames
    while left > 0:
        values = decoder.read(min(largest, left), kind)
        if len(values) == 0:
            return
        left -= len(values)
        yield _block(values, audio_format)


def _block(values: npt.NDArray[Any], audio_format: AudioFormat) -> SoundBlock:
    if audio_format.encoding == "float":
        return SoundBlock(np.ascontiguousarray(values.T), None)
    return SoundBlock(samples_of(values, audio_format.container_bits), values)


def reason_of(error: Exception) -> str:
    """What the library says of its error, in words that fit into a message."""
    words = str(getattr(error, "error_string", "") or "").strip().rstrip(".")
    return f"the decoder stops ({words})" if words else "the decoder stops"


class ForwardFile(soundfile.SoundFile):  # type: ignore[misc]  # the library has no types
    """A sound file that is only read onwards: the binding seeks after each read otherwise."""

    def seekable(self) -> bool:
        """Keep the binding from seeking."""
        return False


class ByteRange:
    """A part of a stream as a file of its own; an error while reading is kept for the caller.

    The library calls from C, where an exception would be printed and lost.
    """

    def __init__(self, stream: BinaryIO, offset: int, size: int, patch: Patch = NO_PATCH) -> None:
        """Take ``size`` bytes from ``offset`` on, shown with the patch in its place."""
        self._patch = patch
        self._stream = stream
        self._offset = offset
        self._size = size
        self._position = 0
        self._error: OSError | None = None

    def raise_error(self) -> None:
        """Raise what reading has raised while the library could not be told."""
        if self._error is not None:
            raise self._error

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Go to a place within the range."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._size}[whence]
        self._position = max(0, base + offset)
        return self._position

    def tell(self) -> int:
        """Give the place within the range."""
        return self._position

    def read(self, size: int) -> bytes:
        """Give up to ``size`` bytes from there; none where reading failed."""
        wanted = max(0, min(size, self._size - self._position))
        try:
            self._stream.seek(self._offset + self._position)
            piece = self._stream.read(wanted)
        except OSError as error:
            self._error = error
            return b""
        at, self._position = self._position, self._position + len(piece)
        return self._patched(piece, at)

    def _patched(self, piece: bytes, at: int) -> bytes:
        place, shown = self._patch
        first, last = max(place, at), min(place + len(shown), at + len(piece))
        if first >= last:
            return piece
        return piece[: first - at] + shown[first - place : last - place] + piece[last - at :]
