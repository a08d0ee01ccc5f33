"""What flows through the operations: blocks of samples and what is known of them beforehand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.header import AudioFormat
from stemprep.model.plan import Operation

Planar = npt.NDArray[np.float64]
"""Shape (channels, frames), full scale = 1.0; integers up to 32 bits are exact in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One dropped file, ready to be read once.

    frames: that its blocks hold in all; audio_sha256: of its samples, keys the dither.
    """

    format: AudioFormat
    audio_sha256: str
    frames: int
    blocks: Iterator[SoundBlock]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """Sound between two operations.

    blocks:      planar float64, any number of frames each, read once and to the end.
    frames:      that the blocks hold in all.
    origins:     for each channel the source's audio hash and channel from 1; keys the dither.
    bit_depth:   integer word that every sample fits exactly; None once a result was computed, and
                 for float sources.
    """

    name: str
    rate_hz: int
    frames: int
    origins: tuple[tuple[str, int], ...]
    bit_depth: int | None
    blocks: Iterator[Planar]

    @property
    def channels(self) -> int:
        """How many channels every block has."""
        return len(self.origins)


def open_stream(name: str, source: Source) -> Stream:
    """Give a source's samples as they are."""
    form = source.format
    return Stream(
        name=name,
        rate_hz=form.sample_rate_hz,
        frames=source.frames,
        origins=tuple((source.audio_sha256, channel + 1) for channel in range(form.channels)),
        bit_depth=form.bit_depth if form.encoding == "integer" else None,
        blocks=(np.asarray(block.samples, dtype=np.float64) for block in source.blocks),
    )


def whole_number(step: Operation, parameter: str, default: int | None = None) -> int:
    """Read a parameter that counts something; PrepareError where it is no whole number."""
    value = step.parameters.get(parameter, default)
    if isinstance(value, bool) or not isinstance(value, int):
        raise PrepareError(f"{step.name}: {parameter} is {value!r}, not a whole number")
    return value


def number(step: Operation, parameter: str) -> float:
    """Read a parameter that measures something; PrepareError where it is no number."""
    value = step.parameters.get(parameter)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PrepareError(f"{step.name}: {parameter} is {value!r}, not a number")
    return float(value)
