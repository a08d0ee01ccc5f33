"""Test one song: stream its stems beside its mix and find out what does not add up."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import BinaryIO

import numpy as np

from stemprep.containers import DecodingFault, read_blocks
from stemprep.errors import InputError
from stemprep.intake import open_regular
from stemprep.model.header import AudioFormat
from stemprep.model.null_test import NullTest, Placement
from stemprep.null_test import (
    BlockStream,
    Outcome,
    Part,
    Stream,
    SumSet,
    null_test,
    plain_residual,
)
from stemprep.units import db_from_ratio, quantising_step
from stemprep.work.null_jobs import NullTestJob, SummedFile

_FLOAT32_BITS = 24


def run_null_test(job: NullTestJob) -> NullTest | None:
    """What the test found; None where a file can no longer be read as it was.

    Files are placed by file start, or by time reference where all have one, they differ, and less
    is left that way.
    """
    started = _parts(job, (0,) * len(job.stems))
    stamps = _by_time_reference(job)
    try:
        if stamps is not None:
            stamped = _parts(job, stamps)
            if plain_residual(stamped) < plain_residual(started):
                return _result(job, "time-reference", null_test(stamped))
        return _result(job, "file-start", null_test(started))
    except (InputError, OSError, DecodingFault):
        return None


def _by_time_reference(job: NullTestJob) -> tuple[int, ...] | None:
    """Where the stems begin in the mix by their time references; None where these say nothing."""
    origin = job.mix.start_samples
    starts = [stem.start_samples for stem in job.stems]
    if origin is None or None in starts:
        return None
    offsets = tuple(start - origin for start in starts if start is not None)
    return offsets if any(offsets) else None


def _parts(job: NullTestJob, offsets: Sequence[int]) -> SumSet:
    files = (job.mix, *job.stems)
    placed = tuple(_part(file, offset) for file, offset in zip(files, (0, *offsets), strict=True))

    @contextmanager
    def opened() -> Iterator[Sequence[Stream]]:
        with ExitStack() as stack:
            yield [
                _stream(stack.enter_context(open_regular(job.root, file.raw_path)), file, part)
                for file, part in zip(files, placed, strict=True)
            ]

    rate_hz = _format(job.mix).sample_rate_hz
    return SumSet(mix=placed[0], stems=placed[1:], rate_hz=rate_hz, open=opened)


def _part(file: SummedFile, offset: int) -> Part:
    form = _format(file)
    return Part(
        name=file.path,
        channels=form.channels,
        frames=file.header.frames,
        step=quantising_step(file.word_bits) if form.encoding == "integer" else 0.0,
        offset=offset,
        peak=file.peak,
        rms=file.rms,
        is_exact_in_float32=_is_exact_in_float32(form),
    )


def _is_exact_in_float32(form: AudioFormat) -> bool:
    return form.container_bits <= (32 if form.encoding == "float" else _FLOAT32_BITS)


def _format(file: SummedFile) -> AudioFormat:
    assert file.header.format is not None, "only files with sound are summed"
    return file.header.format


def _stream(stream: BinaryIO, file: SummedFile, part: Part) -> Stream:
    blocks = (
        block.samples.astype(np.float32, copy=False) if part.is_exact_in_float32 else block.samples
        for block in read_blocks(stream, file.header, _unheard)
    )
    return BlockStream(blocks, part.channels, part.offset)


def _unheard(_: bytes | memoryview) -> None:
    """The bytes were hashed when the file was measured."""


def _result(job: NullTestJob, placed_by: Placement, outcome: Outcome) -> NullTest:
    return NullTest(
        song=job.song,
        folder=job.folder,
        reference=job.mix.path,
        stems=tuple(stem.path for stem in job.stems),
        sample_rate_hz=_format(job.mix).sample_rate_hz,
        frames=job.mix.header.frames,
        gain_db=db_from_ratio(outcome.gain),
        sum_peak_dbfs=db_from_ratio(outcome.sum_peak),
        residual_peak_dbfs=db_from_ratio(outcome.peak),
        residual_rms_dbfs=db_from_ratio(outcome.rms),
        limit_peak_dbfs=db_from_ratio(outcome.floor.peak),
        limit_rms_dbfs=db_from_ratio(outcome.floor.rms_limit),
        verdict=outcome.verdict,
        placed_by=placed_by,
        residual_over_time_dbfs=outcome.over_time_dbfs,
        causes=outcome.causes,
        left_out=job.left_out,
        parts=job.parts,
    )
