"""A reader that is not ours: the sound file library opens a file by itself, header and all.

Our own readers find more than any library, and so can open what nobody else can.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, BinaryIO, Final, Self

import numpy as np
import numpy.typing as npt
import soundfile

from stemprep.containers.libsndfile import (
    NO_PATCH,
    ByteRange,
    DecoderStopped,
    ForwardFile,
    reason_of,
)
from stemprep.model.header import AudioFormat

Values = npt.NDArray[Any]
"""Interleaved, shape (frames, channels): left-justified int32 codes, or float64."""

_BLOCK_SAMPLES: Final = 1 << 18


class OtherReader:
    """A file as the library reads it.

    NAME:   what to call it in a message.
    frames: as the library counts them; a FLAC that states no length gives a huge number.
    """

    NAME: Final = "libsndfile"

    def __init__(self, stream: BinaryIO, size_bytes: int, expected: AudioFormat) -> None:
        """Open the whole file; raises DecoderStopped where the library refuses it.

        expected: only whether integers or floats are to be read is taken from it, and that a BW64
        is shown to the library as the RF64 that it is (ITU-R BS.2088 keeps the layout).
        """
        patch = (0, b"RF64") if expected.container == "BW64" else NO_PATCH
        self._range = ByteRange(stream, 0, size_bytes, patch)
        self._dtype = "float64" if expected.encoding == "float" else "int32"
        try:
            self._file = ForwardFile(self._range)
        except soundfile.SoundFileRuntimeError as error:
            self._range.raise_error()
            raise DecoderStopped(reason_of(error)) from error
        self.sample_rate_hz = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        self.frames = int(self._file.frames)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def first(self, frames: int) -> Values:
        """The first frames, fewer where there are not so many."""
        return self._read(frames)

    def last(self, frames: int) -> Values:
        """The last frames by the library's own count, found by seeking."""
        try:
            self._file.seek(max(0, self.frames - frames))
        except soundfile.SoundFileRuntimeError as error:
            self._range.raise_error()
            raise DecoderStopped(reason_of(error)) from error
        return self._read(frames)

    def blocks(self) -> Iterator[Values]:
        """All sound that the library counts; raises DecoderStopped where it cannot go on.

        It is not asked for more: behind the end it would stumble over what does not count.
        """
        left, most = self.frames, max(1, _BLOCK_SAMPLES // self.channels)
        while left > 0 and len(values := self._read(min(most, left))):
            left -= len(values)
            yield values

    def _read(self, frames: int) -> Values:
        target = np.empty((frames, self.channels), self._dtype)
        try:
            got: Values = self._file.read(frames, dtype=self._dtype, always_2d=True, out=target)
        except soundfile.SoundFileRuntimeError as error:
            self._range.raise_error()
            raise DecoderStopped(reason_of(error)) from error
        self._range.raise_error()
        return got
