"""Make a rough mix and its minus-ones from files of a package, in two passes over them.

The first pass adds up and measures, so that one gain can be found for all; the second adds up again
and writes. Memory does not grow with the length.
"""

from __future__ import annotations

import hashlib
import math
import resource
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from stemprep.containers import BLOCK_FRAMES, read_blocks
from stemprep.dsp.block import SoundBlock
from stemprep.errors import DeliveryError
from stemprep.measure.programme import ProgrammeMeter
from stemprep.model.facts import MeasureSettings
from stemprep.model.header import Header
from stemprep.model.package import WrittenFile
from stemprep.model.plan import Operation, OutputPlan
from stemprep.model.rough_mix import MixPart
from stemprep.null_test import BlockStream
from stemprep.package import StagedFile, told_as_delivery_error
from stemprep.prepare.mixing import MIX_CHANNELS, Fader, mixed
from stemprep.prepare.rough_mix import pan_matrix
from stemprep.prepare.stream import Planar, Stream
from stemprep.prepare.word_length import dithered_blocks, float_blocks
from stemprep.units import SILENCE_DB
from stemprep.work.fan_out import fan_out
from stemprep.work.made import fill_made, prove_made

TARGET_LUFS = -18.0
"""Between the -20 and -16 LUFS of EBU R 128 s2: loud enough for headphones, far from a master."""
CEILING_DBTP = -1.0
"""Highest true peak; common practice, leaves room for an MP3 coder."""
MOST_GAIN_DB = 24.0
_GAIN_STEPS_PER_DB = 100
_HELD_FRAMES = 1 << 22
"""Frames of all parts that are held at once; a session of a thousand files takes shorter blocks."""
_FEWEST_FRAMES = 1 << 10


@dataclass(frozen=True, slots=True, kw_only=True)
class MixSource:
    """A part as it lies in the staging folder: where, header and audio hash as measured there."""

    part: MixPart
    file: StagedFile
    header: Header
    audio_sha256: str
    start_samples: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class MixOutput:
    """One file to make: its plan without gain, where to write it.

    without: the player who is left out; None: nobody.
    """

    output: OutputPlan
    target: StagedFile
    without: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MixJob:
    """Sources in the order in which they are added, and what to make of them."""

    sources: tuple[MixSource, ...]
    outputs: tuple[MixOutput, ...]
    settings: MeasureSettings


def make_mixes(job: MixJob) -> tuple[WrittenFile, ...]:
    """Make all outputs with one and the same gain, and prove them.

    Raises DeliveryError when a file of the package cannot be read or the disk refuses.
    """
    _allow_many_files()
    with told_as_delivery_error("adding up its files", job.outputs[0].output.path):
        return _made(job)


def _allow_many_files() -> None:
    """Let this worker hold as many files open as the system allows: every part is one."""
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


def _made(job: MixJob) -> tuple[WrittenFile, ...]:
    gain_db = common_gain_db(*_levels(job))
    outputs = [replace(each, output=with_gain(each.output, gain_db)) for each in job.outputs]
    writers = [_writer(job, each) for each in outputs]
    processors = [_processor(gain_db) for _ in outputs]
    rate_hz = _rate_of(job)
    with ExitStack() as stack:
        sums = _sums(job, stack, [each.without for each in outputs])
        processed = (
            [_processed(*pair, rate_hz) for pair in zip(blocks, processors, strict=True)]
            for blocks in sums
        )
        hashes = fan_out(processed, writers)
    return tuple(
        prove_made(each.target, each.output, sha256, job.settings)
        for each, sha256 in zip(outputs, hashes, strict=True)
    )


def common_gain_db(loudness_lufs: float | None, highest_dbtp: float) -> float:
    """The one gain for all: to the target loudness, but no true peak over the ceiling.

    Whole hundredths of a dB, rounded down; at most +24 dB. A mix without loudness (silent, or
    shorter than 0.4 s) is only kept under the ceiling.
    """
    wanted_db = 0.0 if loudness_lufs is None else TARGET_LUFS - loudness_lufs
    allowed_db = MOST_GAIN_DB if highest_dbtp == SILENCE_DB else CEILING_DBTP - highest_dbtp
    gain_db = min(wanted_db, allowed_db, MOST_GAIN_DB)
    return math.floor(gain_db * _GAIN_STEPS_PER_DB) / _GAIN_STEPS_PER_DB


def with_gain(output: OutputPlan, gain_db: float) -> OutputPlan:
    """The plan with the gain that was found, after the sum and before the word length."""
    first, *rest = output.operations
    gain = Operation(
        name="gain",
        parameters={"gain_db": gain_db},
        reason=f"to {TARGET_LUFS:g} LUFS for the whole, no true peak over {CEILING_DBTP:g} dBTP",
        evidence="measured on the sum; the same for the mix and everything made from its parts",
    )
    return replace(output, operations=(first, gain, *rest))


def _rate_of(job: MixJob) -> int:
    form = job.outputs[0].output.format
    assert form is not None, "what is made here has a format"
    return form.sample_rate_hz


def _levels(job: MixJob) -> tuple[float | None, float]:
    """Loudness of the whole sum, highest true peak of all that will be written."""
    rate_hz, kernel = _rate_of(job), job.settings.true_peak_filter
    wanted = [None, *(each.without for each in job.outputs if each.without is not None)]
    meters = [
        ProgrammeMeter(rate_hz, kernel, is_loudness_wanted=without is None) for without in wanted
    ]
    with ExitStack() as stack:
        for blocks in _sums(job, stack, wanted):
            for meter, block in zip(meters, blocks, strict=True):
                meter.add(block)
    readings = [meter.finish() for meter in meters]
    return readings[0][0], max(peak for _, peak in readings)


def _sums(
    job: MixJob, stack: ExitStack, wanted: Sequence[str | None]
) -> Iterator[tuple[Planar, ...]]:
    faders = [
        Fader(
            feed=BlockStream(
                _samples(source, stack, _block_frames(job)),
                source.part.channels,
                source.start_samples,
            ),
            matrix=pan_matrix(source.part.channels, source.part.level_db, source.part.pan),
            player=source.part.player,
        )
        for source in job.sources
    ]
    return mixed(faders, wanted, job.outputs[0].output.frames, _block_frames(job))


def _block_frames(job: MixJob) -> int:
    return min(BLOCK_FRAMES, max(_FEWEST_FRAMES, _HELD_FRAMES // len(job.sources)))


def _samples(source: MixSource, stack: ExitStack, block_frames: int) -> Iterator[np.ndarray]:
    try:
        stream = stack.enter_context(source.file.open())
    except OSError as error:
        raise DeliveryError(
            f"{source.part.path}: was written and cannot be read again to make a mix: {error}; "
            "check the destination's disk and deliver again"
        ) from error
    return (block.samples for block in read_blocks(stream, source.header, _unheard, block_frames))


def _unheard(_: bytes | memoryview) -> None:
    """The bytes were hashed when the file was read back."""


class _Processor(Protocol):
    """A processor that remembers what came before; a fresh one for every file."""

    def process(
        self, samples: npt.NDArray[np.float32], rate_hz: float, *, reset: bool
    ) -> npt.NDArray[np.float32]:
        """Process the next block, shape (channels, frames)."""
        ...


def _processor(gain_db: float) -> _Processor:
    from pedalboard import Gain  # a tenth of a second: only where a mix is made

    return Gain(gain_db=gain_db)


def _processed(block: Planar, processor: _Processor, rate_hz: int) -> Planar:
    return np.asarray(
        processor.process(block.astype(np.float32), rate_hz, reset=False), dtype=np.float64
    )


def _writer(job: MixJob, each: MixOutput) -> Callable[[Iterator[Planar]], str]:
    def write(blocks: Iterator[Planar]) -> str:
        return fill_made(each.target, each.output, _words(job, each.output, blocks))

    return write


def _words(job: MixJob, output: OutputPlan, blocks: Iterator[Planar]) -> Iterator[SoundBlock]:
    form = output.format
    assert form is not None, "what is made here has a format"
    keyed = "\n".join(["stemprep-mix-1", output.path, *(s.audio_sha256 for s in job.sources)])
    digest = hashlib.sha256(keyed.encode("utf-8", "surrogatepass")).hexdigest()
    stream = Stream(
        name=output.path,
        rate_hz=form.sample_rate_hz,
        frames=output.frames,
        origins=tuple((digest, channel + 1) for channel in range(MIX_CHANNELS)),
        bit_depth=None,
        blocks=blocks,
    )
    return float_blocks(stream, form) if form.encoding == "float" else dithered_blocks(stream, form)
