"""Open a file once more by a reader that is not ours, and hold what it reads against ours.

What only our reader can open must not leave the house as sound: nobody else would hear it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO, Final

import numpy as np

from stemprep.containers import DecoderStopped, OtherReader, second_opinion
from stemprep.dsp.block import SoundBlock
from stemprep.measure import AudioWords
from stemprep.model.facts import Sound
from stemprep.model.header import AudioFormat, Header, HeaderFault

EDGE_FRAMES: Final = 1024


@dataclass(slots=True)
class Edges:
    """The first and the last frames of what was decoded, kept while it went by.

    Interleaved, shape (frames, channels), as ``OtherReader`` gives them.
    """

    first: np.ndarray | None = None
    last: np.ndarray | None = None

    def add(self, block: SoundBlock) -> None:
        """Take what is needed of the next block."""
        values = block.samples.T if block.codes is None else block.codes
        if self.first is None:
            self.first = values[:EDGE_FRAMES].copy()
        self.last = values[-EDGE_FRAMES:].copy()


def hold_edges_against(
    stream: BinaryIO, size_bytes: int, header: Header, edges: Edges
) -> HeaderFault | None:
    """Tell whether another reader finds the same rate, channels, length, beginning and end.

    None where it does, and for a file that is told as broken anyway. OSError passes through.
    """
    if not _is_asked(header):
        return None
    assert header.format is not None, "a readable header has a format"
    try:
        with OtherReader(stream, size_bytes, header.format) as other:
            fault = _of_the_form(header, other)
            if fault is not None or edges.first is None or edges.last is None:
                return fault
            is_same = _is_same(other.first(len(edges.first)), edges.first)
            if is_same and header.format.container != "FLAC":  # a seek in it decodes a lot
                is_same = _is_same(other.last(len(edges.last)), edges.last)
            return None if is_same else second_opinion.other_samples(OtherReader.NAME)
    except DecoderStopped as stop:
        return second_opinion.refused(OtherReader.NAME, str(stop), header.format)


def hold_all_against(
    stream: BinaryIO, size_bytes: int, header: Header, sound: Sound | None
) -> HeaderFault | None:
    """Tell whether another reader finds the same rate, channels and length, and the same sound.

    The sound by its audio hash, over every sample. None where it does, and for a file that is told
    as broken anyway. OSError passes through.
    """
    if not _is_asked(header) or sound is None:
        return None
    form = header.format
    assert form is not None, "a readable header has a format"
    try:
        with OtherReader(stream, size_bytes, form) as other:
            fault = _of_the_form(header, other)
            if fault is not None:
                return fault
            words, frames = _words_of(other, form)
            if frames != header.frames:
                return second_opinion.other_length(OtherReader.NAME, frames, header)
            is_same = words.hexdigest() == sound.audio_sha256
            return None if is_same else second_opinion.other_samples(OtherReader.NAME)
    except DecoderStopped as stop:
        return second_opinion.refused(OtherReader.NAME, str(stop), form)


def _words_of(other: OtherReader, form: AudioFormat) -> tuple[AudioWords, int]:
    words, frames = AudioWords(form.channels, form.container_bits), 0
    for values in other.blocks():
        frames += len(values)
        if form.encoding == "float":
            words.add_floats(values.T)
        else:
            words.add_codes(values)
    return words, frames


def _is_asked(header: Header) -> bool:
    is_broken = any(fault.severity == "fail" for fault in header.faults)
    is_linear = header.format is not None and header.format.encoding in ("integer", "float")
    return header.is_readable and is_linear and not is_broken


def _of_the_form(header: Header, other: OtherReader) -> HeaderFault | None:
    form = header.format
    assert form is not None, "only files with a format are opened again"
    is_whole_rate = not any(fault.code == "fractional-rate" for fault in header.faults)
    most_off_hz = 0 if is_whole_rate else 1  # the other may round the other way
    if abs(other.sample_rate_hz - form.sample_rate_hz) > most_off_hz or (
        other.channels != form.channels
    ):
        return second_opinion.other_form(
            OtherReader.NAME, other.sample_rate_hz, other.channels, form
        )
    is_length_open = form.container == "FLAC" and header.declared_frames is None
    if other.frames != header.frames and not is_length_open:
        return second_opinion.other_length(OtherReader.NAME, other.frames, header)
    return None


def _is_same(theirs: np.ndarray, ours: np.ndarray) -> bool:
    return np.array_equal(theirs, ours, equal_nan=ours.dtype.kind == "f")
