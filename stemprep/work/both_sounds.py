"""An original and what came back of it, read beside each other."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stemprep.containers import read_blocks
from stemprep.intake import open_regular
from stemprep.lineage.differences import DifferenceMeter, Differences
from stemprep.model.reconciliation import AddedSilence
from stemprep.null_test import BlockStream
from stemprep.units import quantising_step
from stemprep.work.excerpts import SoundFile

Planar = npt.NDArray[np.float64]

BLOCK_FRAMES = 65_536


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedFile:
    """One of the two files: absolute root folder, and the file as it was measured."""

    root: str
    sound: SoundFile

    @property
    def rate_hz(self) -> int:
        """Its own rate."""
        return self.sound.format.sample_rate_hz

    @property
    def frames(self) -> int:
        """Its length."""
        return self.sound.header.frames

    @property
    def step(self) -> float:
        """Its quantising step; 0 for float."""
        form = self.sound.format
        return quantising_step(form.bit_depth) if form.encoding == "integer" else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareJob:
    """An original and what came back of it.

    added: silence that the package put around the original, as its manifest tells.
    """

    original: ComparedFile
    returned: ComparedFile
    added: AddedSilence = field(default_factory=AddedSilence)


def planar_blocks(file: ComparedFile, stack: ExitStack, channels: int) -> Iterator[Planar]:
    """All of a file on so many channels, float64; it stays open as long as the stack."""
    stream = stack.enter_context(open_regular(file.root, file.sound.raw_path))
    for block in read_blocks(stream, file.sound.header, _unheard):
        yield as_channels(np.asarray(block.samples, dtype=np.float64), channels)


def as_channels(samples: Planar, channels: int) -> Planar:
    """The sound on so many channels: one is laid on all, several are averaged to one."""
    if samples.shape[0] == channels:
        return samples
    if samples.shape[0] == 1:
        return np.repeat(samples, channels, axis=0)
    return np.repeat(samples.mean(axis=0, keepdims=True), channels, axis=0)


def channels_of(job: CompareJob) -> int:
    """Channels in which both are compared: those of what came back."""
    return job.returned.sound.format.channels


def differences(job: CompareJob, offset: int) -> Differences:
    """Compare frame n of the original with frame n + offset of what came back."""
    start = max(0, -offset)
    end = min(job.original.frames, job.returned.frames - offset)
    channels = channels_of(job)
    meter = DifferenceMeter(job.original.rate_hz)
    with ExitStack() as stack:
        original = BlockStream(planar_blocks(job.original, stack, channels), channels)
        returned = BlockStream(planar_blocks(job.returned, stack, channels), channels, -offset)
        for at in range(start, end, BLOCK_FRAMES):
            span = (at, min(at + BLOCK_FRAMES, end))
            meter.add(
                np.asarray(original.take(*span), dtype=np.float64),
                np.asarray(returned.take(*span), dtype=np.float64),
            )
    return meter.finish()


def _unheard(_: bytes | memoryview) -> None:
    """The bytes were hashed when the file was measured."""
