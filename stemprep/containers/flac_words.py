"""FLAC of words other than 8, 16 and 24 bits, which libsndfile refuses: through another library."""

from __future__ import annotations

from typing import Any, BinaryIO, Final, Self

import miniaudio
import numpy as np
import numpy.typing as npt

from stemprep.containers.libsndfile import NO_PATCH, ByteRange, DecoderStopped, Patch
from stemprep.model.header import AudioFormat

_PIECE_FRAMES: Final = 16_384  # what the binding keeps room for


class WordDecoder:
    """A range of an open stream that holds a FLAC, forwards only; the library ``Decoder``'s twin.

    The library leaves out frames that fail their own checksum and goes on behind them: whoever
    gets fewer samples than promised must not keep any.
    """

    def __init__(
        self,
        stream: BinaryIO,
        offset: int,
        size: int,
        form: AudioFormat,
        patch: Patch = NO_PATCH,
    ) -> None:
        """Open the range; raises DecoderStopped where the library refuses it."""
        self.position = 0
        self.channels = form.channels
        self.sample_rate_hz = form.sample_rate_hz
        self._range = ByteRange(stream, offset, size, patch)
        self._source = _Source(self._range)
        try:
            self._pieces = miniaudio.stream_any(
                self._source,
                miniaudio.FileFormat.FLAC,
                miniaudio.SampleFormat.SIGNED32,
                form.channels,
                form.sample_rate_hz,
                _PIECE_FRAMES,
            )
        except miniaudio.MiniaudioError as error:
            self._range.raise_error()
            raise DecoderStopped("the decoder refuses the file") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pieces.close()

    def read(self, frames: int, kind: str) -> npt.NDArray[Any]:
        """Up to ``frames`` frames as left-justified int32, shape (frames, channels).

        Fewer than asked for while more is to come; none at the end. Raises DecoderStopped.
        """
        assert kind == "int32", "FLAC holds integers"
        try:
            piece = self._pieces.send(min(frames, _PIECE_FRAMES))
        except StopIteration:
            piece = b""
        except miniaudio.MiniaudioError as error:
            self._range.raise_error()
            raise DecoderStopped("the decoder stops") from error
        self._range.raise_error()
        values = np.frombuffer(piece, np.int32).reshape(-1, self.channels)
        self.position += len(values)
        return values


class _Source(miniaudio.StreamableSource):  # type: ignore[misc]  # the library has no types
    """The range as the binding asks for it; its own errors are kept by the range."""

    def __init__(self, content: ByteRange) -> None:
        self._content = content

    def read(self, num_bytes: int) -> bytes:
        return self._content.read(num_bytes)

    def seek(self, offset: int, origin: miniaudio.SeekOrigin) -> bool:
        self._content.seek(offset, 0 if origin == miniaudio.SeekOrigin.START else 1)
        return True
