"""Write one file of a package as planned, read it back from the disk and measure it again."""

from __future__ import annotations

import hashlib
import io
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, BinaryIO

from stemprep.containers import (
    copy_audio,
    outgoing_metadata,
    read_blocks,
    second_opinion,
    write_blocks,
)
from stemprep.dsp.block import SoundBlock
from stemprep.errors import DeliveryError, InputError, PrepareError
from stemprep.intake import open_regular
from stemprep.model.facts import FileFacts, MeasureSettings
from stemprep.model.header import AudioFormat
from stemprep.model.package import WrittenFile
from stemprep.model.plan import OutputPlan
from stemprep.package import StagedFile, told_as_delivery_error
from stemprep.prepare import Source, render
from stemprep.work.measure import MeasureJob, measure_stream
from stemprep.work.second_opening import hold_all_against

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

_COPY_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRef:
    """A dropped file as the check pass found it."""

    path: str
    raw_path: bytes
    facts: FileFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteJob:
    """One output to write: root of the drop, its plan and sources, where to write it."""

    root: str
    output: OutputPlan
    sources: tuple[SourceRef, ...]
    target: StagedFile
    settings: MeasureSettings


def write_output(job: WriteJob) -> WrittenFile:
    """Write the output and prove it.

    Raises DeliveryError when a source is no longer what was checked, the disk refuses what is
    written or gives back other bytes; PrepareError when an operation cannot keep what the plan
    promises.
    """
    with told_as_delivery_error("writing", job.output.path):
        return _written(job)


def _written(job: WriteJob) -> WrittenFile:
    def fill(sink: BinaryIO) -> None:
        _write(job, sink)

    after, sha512 = write_and_read_back(job.target, job.output.path, job.settings, fill)
    _compare_with_plan(job, after)
    return WrittenFile(
        plan=job.output,
        staged=job.target.path,
        sha256=after.sha256,
        sha512=sha512,
        size_bytes=after.size_bytes,
        before=tuple(source.facts for source in job.sources),
        after=after,
    )


def write_and_read_back(
    target: StagedFile, name: str, settings: MeasureSettings, fill: Callable[[BinaryIO], None]
) -> tuple[FileFacts, str]:
    """Make a new file by ``fill``, then measure it from the disk; give its facts and sha512.

    Raises DeliveryError when the disk gives back other bytes; OSError passes through.
    """
    sha256 = write_new(target, fill)
    return read_back(target, name, settings, sha256)


def write_new(target: StagedFile, fill: Callable[[BinaryIO], None]) -> str:
    """Make a new file by ``fill``, fsynced and out of the page cache; give its sha256."""
    with HashedFile(target.create()) as sink:
        fill(sink)
        sink.flush()
        os.fsync(sink.fileno())
        os.posix_fadvise(sink.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    return sink.digest.hexdigest()


class HashedFile(io.BufferedWriter):
    """A file that is only written onwards, and hashed on the way."""

    def __init__(self, descriptor: int) -> None:
        super().__init__(io.FileIO(descriptor, "wb"))
        self.digest = hashlib.sha256()

    def write(self, piece: ReadableBuffer, /) -> int:
        """Write all of the piece."""
        self.digest.update(piece)
        return super().write(piece)


def _write(job: WriteJob, sink: BinaryIO) -> None:
    with ExitStack() as stack:
        streams = [stack.enter_context(_open_source(job.root, source)) for source in job.sources]
        if job.output.is_copy:
            _copy(job.sources[0], streams[0], sink)
            return
        first = job.sources[0].facts.header
        metadata = outgoing_metadata(streams[0], first, job.output)
        assert job.output.format is not None, "only a copy may be of a file without format"
        if any(step.name == "copy-audio" for step in job.output.operations):
            copy_audio(streams[0], first, sink, metadata)
            _compare_source(job.sources[0], _hash_stream(streams[0]))
            return
        guarded = [
            Source(
                format=_format(source),
                audio_sha256=source.facts.audio_sha256 or "",
                frames=source.facts.header.frames,
                blocks=_unchanged_blocks(source, stream),
            )
            for source, stream in zip(job.sources, streams, strict=True)
        ]
        blocks = render(job.output, guarded)
        write_blocks(sink, job.output.format, blocks, metadata, job.output.frames)


def _open_source(root: str, source: SourceRef) -> BinaryIO:
    try:
        return open_regular(root, source.raw_path)
    except (InputError, OSError) as error:
        raise DeliveryError(
            f"{source.path}: could be read when it was checked, but not any more: {error}; "
            "leave the drop alone while it is delivered, and deliver again"
        ) from error


def _format(source: SourceRef) -> AudioFormat:
    assert source.facts.format is not None, "a file without format cannot be prepared"
    return source.facts.format


def _copy(source: SourceRef, stream: BinaryIO, sink: BinaryIO) -> None:
    """Copy all bytes, hashing on the way, and hold the result against the check pass."""
    digest = hashlib.sha256()
    while piece := stream.read(_COPY_BYTES):
        digest.update(piece)
        sink.write(piece)
    _compare_source(source, digest.hexdigest())


def _hash_stream(stream: BinaryIO) -> str:
    """sha256 of a whole open file."""
    stream.seek(0)
    digest = hashlib.sha256()
    while piece := stream.read(_COPY_BYTES):
        digest.update(piece)
    return digest.hexdigest()


def _unchanged_blocks(source: SourceRef, stream: BinaryIO) -> Iterator[SoundBlock]:
    """The source's blocks; at their end the file must have been the one that was checked."""
    digest = hashlib.sha256()
    yield from read_blocks(stream, source.facts.header, digest.update)
    _compare_source(source, digest.hexdigest())


def _compare_source(source: SourceRef, sha256: str) -> None:
    if sha256 != source.facts.sha256:
        raise DeliveryError(
            f"{source.path}: changed since it was checked (sha256 was "
            f"{source.facts.sha256[:12]}..., is {sha256[:12]}...); "
            "let the copy finish and deliver again"
        )


def read_back(
    target: StagedFile, name: str, settings: MeasureSettings, expected_sha256: str
) -> tuple[FileFacts, str]:
    """Measure a written file again from the disk; facts and sha512 in the same read.

    Then it is opened once more by another reader, which must agree on all of its sound; where it
    does not, the facts hold a fault that says so.

    Raises DeliveryError when its bytes are not those that were written.
    """
    sha256, sha512 = hashlib.sha256(), hashlib.sha512()

    def on_bytes(piece: bytes | memoryview) -> None:
        sha256.update(piece)
        sha512.update(piece)

    again = MeasureJob(
        root=target.root, raw_path=os.fsencode(target.inside), name=name, settings=settings
    )
    with target.open() as stream:
        header, sound = measure_stream(stream, again, on_bytes)
        size_bytes = os.fstat(stream.fileno()).st_size
        fault = hold_all_against(stream, size_bytes, header, sound)
    if sha256.hexdigest() != expected_sha256:
        raise DeliveryError(
            f"{name}: the disk gave back other bytes than were written; "
            "check the destination's disk and deliver again"
        )
    header = header if fault is None else replace(header, faults=(*header.faults, fault))
    facts = FileFacts(size_bytes=size_bytes, sha256=sha256.hexdigest(), header=header, sound=sound)
    return facts, sha512.hexdigest()


def refuse_what_others_cannot_read(name: str, after: FileFacts) -> None:
    """Raise PrepareError where another reader does not agree on a file that was written here."""
    told = [fault for fault in after.header.faults if fault.code in second_opinion.CODES]
    if told:
        raise PrepareError(
            f"{name}: was written, and another reader does not agree on it: {told[0].message}; "
            "this is a fault of stemprep, please report it"
        )


def _compare_with_plan(job: WriteJob, after: FileFacts) -> None:
    """What was written must have the format, length and sound that the plan promised."""
    output = job.output
    if output.is_copy or output.format is None:
        return
    refuse_what_others_cannot_read(output.path, after)
    if after.format is None or after.header.frames != output.frames:
        raise PrepareError(
            f"{output.path}: planned {output.frames} samples per channel, "
            f"wrote {after.header.frames}; this is a fault of stemprep, please report it"
        )
    planned, written = output.format, after.format
    if (planned.sample_rate_hz, planned.channels, planned.bit_depth, planned.encoding) != (
        written.sample_rate_hz,
        written.channels,
        written.bit_depth,
        written.encoding,
    ):
        raise PrepareError(
            f"{output.path}: planned {planned}, wrote {written}; "
            "this is a fault of stemprep, please report it"
        )
    keeps_sound = any(step.name == "copy-audio" for step in output.operations)
    if keeps_sound and after.audio_sha256 != job.sources[0].facts.audio_sha256:
        raise PrepareError(
            f"{output.path}: its sound was to stay as it is and did not; "
            "this is a fault of stemprep, please report it"
        )
