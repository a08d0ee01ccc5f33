"""Measure one file: its structure, its sound and its hash, in one pass over its bytes."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np

from stemprep.containers import DecodingFault, OnBytes, read_blocks, read_header
from stemprep.errors import InputError
from stemprep.intake import open_regular
from stemprep.measure import SoundMeter
from stemprep.model.facts import FileFacts, MeasureSettings, Sound
from stemprep.model.header import Header, HeaderFault
from stemprep.work.second_opening import Edges, hold_edges_against

_COPY_AGAIN = "Copy or export the file again, and check the disk it came from."
_OPEN_IT = "Make it readable for the account that runs this and drop again."


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureJob:
    """One file to measure: absolute root folder, raw path below it, the name people know it by."""

    root: str
    raw_path: bytes
    name: str
    settings: MeasureSettings


def measure_file(job: MeasureJob) -> FileFacts:
    """All facts of one file; a file that cannot be opened or decoded has faults, no sound."""
    try:
        stream = open_regular(job.root, job.raw_path)
    except (InputError, OSError) as error:
        is_closed = isinstance(error.__cause__ or error, PermissionError)
        return unmeasured(str(error), advice=_OPEN_IT if is_closed else _COPY_AGAIN)
    with stream:
        digest = hashlib.sha256()
        before = os.fstat(stream.fileno())
        try:
            edges = Edges()
            header, sound = measure_stream(stream, job, digest.update, edges)
            fault = hold_edges_against(stream, before.st_size, header, edges)
        except OSError as error:
            return unmeasured(f"could not be read to its end: {error.strerror or error}")
        after = os.fstat(stream.fileno())
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        return unmeasured(
            "it was written to while it was read; let the copy finish and start again"
        )
    header = header if fault is None else replace(header, faults=(*header.faults, fault))
    return FileFacts(
        size_bytes=after.st_size, sha256=digest.hexdigest(), header=header, sound=sound
    )


def measure_stream(
    stream: BinaryIO, job: MeasureJob, on_bytes: OnBytes, edges: Edges | None = None
) -> tuple[Header, Sound | None]:
    """Header and sound of an open file; every byte of it goes to ``on_bytes`` once, in order.

    edges: gets the first and last frames that were decoded.
    """
    header = read_header(stream, os.fstat(stream.fileno()).st_size, job.name)
    meter = (
        SoundMeter(header.format, job.settings)
        if header.is_readable and header.format is not None
        else None
    )
    try:
        with np.errstate(invalid="ignore"):  # signalling NaNs are counted, not warned of
            for block in read_blocks(stream, header, on_bytes):
                if edges is not None:
                    edges.add(block)
                if meter is not None:
                    meter.add(block)
                del block  # the next one gets its memory: fresh pages cost more than decoding
    except DecodingFault as damage:
        header = replace(header, faults=(*header.faults, damage.fault))
        if damage.fault.check != "checksum":
            return header, None
    return header, None if meter is None else meter.finish()


def unmeasured(found: str, *, advice: str = _COPY_AGAIN) -> FileFacts:
    """Facts of a file that gave nothing: one fault that says why."""
    fault = HeaderFault(
        check="unreadable",
        code="not-decoded",
        severity="fail",
        found=found,
        required="a file that can be read to its end",
        message=f"Cannot be read: {found}.",
        advice=advice,
    )
    return FileFacts(
        size_bytes=0, sha256="", header=Header(format=None, faults=(fault,)), sound=None
    )
