"""Places of files: by seeking where positions are exact, else in one pass over the file.

They are listened to, so what is no number is silence in them; telling of it is up to checks.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stemprep.containers import read_blocks
from stemprep.dsp.finite import finite
from stemprep.intake import open_regular
from stemprep.model.header import WAV_FAMILY, AudioFormat, Header

Samples = npt.NDArray[np.float32]
Span = tuple[int, int]
"""(start, end) in frames; may reach beyond the file at both ends, where there is silence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundFile:
    """A file as the measuring pass found it.

    start_samples: its time reference; None where it has none.
    """

    path: str
    raw_path: bytes
    header: Header
    start_samples: int | None = None

    @property
    def format(self) -> AudioFormat:
        """Its format."""
        assert self.header.format is not None, "only files with sound are listened to"
        return self.header.format


def is_seekable(file: SoundFile) -> bool:
    """True where any frame can be read without reading those before it."""
    return file.format.container in WAV_FAMILY


def read_spans(root: str, file: SoundFile, spans: Sequence[Span]) -> list[Samples]:
    """Sound of each span, shape (channels, end - start).

    Raises InputError or OSError where the file cannot be opened any more, DecodingFault where it
    turns out damaged.
    """
    if is_seekable(file):
        return _by_seeking(root, file, spans)
    return _in_one_pass(root, file, spans)


def mono_blocks(root: str, file: SoundFile) -> Iterator[Samples]:
    """The whole file in order, channels averaged, in blocks of any size."""
    with open_regular(root, file.raw_path) as stream:
        for block in read_blocks(stream, file.header, _unheard):
            yield finite(block.samples).mean(axis=0, dtype=np.float32)


def _by_seeking(root: str, file: SoundFile, spans: Sequence[Span]) -> list[Samples]:
    form = file.format
    align = form.frame_bytes
    found: list[Samples] = []
    with open_regular(root, file.raw_path) as stream:
        for start, end in spans:
            first = min(max(start, 0), file.header.frames)
            last = min(max(end, first), file.header.frames)
            stream.seek(file.header.data_offset_bytes + first * align)
            piece = stream.read((last - first) * align)
            part = replace(file.header, data_offset_bytes=0, data_size_bytes=len(piece))
            sound = _silence(file, (start, end))
            for block in read_blocks(io.BytesIO(piece), part, _unheard):
                _lay(sound, start, first, block.samples)
                first += block.frames
            found.append(sound)
    return found


def _in_one_pass(root: str, file: SoundFile, spans: Sequence[Span]) -> list[Samples]:
    found = [_silence(file, span) for span in spans]
    last = max((end for _, end in spans), default=0)
    at = 0
    with open_regular(root, file.raw_path) as stream:
        for block in read_blocks(stream, file.header, _unheard):
            for sound, (start, end) in zip(found, spans, strict=True):
                if start < at + block.frames and at < end:
                    _lay(sound, start, at, block.samples)
            at += block.frames
            if at >= last:
                break
    return found


def _silence(file: SoundFile, span: Span) -> Samples:
    return np.zeros((file.format.channels, span[1] - span[0]), dtype=np.float32)


def _lay(target: Samples, start: int, at: int, samples: npt.NDArray[np.floating]) -> None:
    """Copy what of ``samples``, which begin at frame ``at``, falls into a span from ``start``."""
    first, last = max(start, at), min(start + target.shape[1], at + samples.shape[1])
    if first < last:
        target[:, first - start : last - start] = finite(samples[:, first - at : last - at])


def _unheard(_: bytes | memoryview) -> None:
    """The bytes were hashed when the file was measured."""
