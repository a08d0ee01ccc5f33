"""Make an MP3 for listening from a file of the package, and prove that it decodes.

An MP3 has a delay of its own at its start, so it never stands on the sample: it is for ears alone.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from stemprep.containers import read_blocks
from stemprep.errors import DeliveryError
from stemprep.model.header import Header
from stemprep.model.package import StagedDocument
from stemprep.model.plan import Operation
from stemprep.package import StagedFile, told_as_delivery_error
from stemprep.prepare.convert_rate import convert_rate
from stemprep.prepare.stream import Planar, Stream
from stemprep.units import ratio_from_db

CODED_RATES_HZ = (32_000, 44_100, 48_000)
QUALITY = "V2"  # variable rate, about 190 kbit/s
CEILING_DBTP = -1.0
"""Coding may lift a peak; common practice leaves it one decibel."""
_COPY_BYTES = 1 << 20
_FRAME_SAMPLES = 1_152  # ISO/IEC 11172-3, layer III
_MOST_EXTRA_FRAMES = 4
_MOST_DIFFERENCE_DB = 3.0
_SILENT_RMS = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class ListeningJob:
    """One copy to make: a mono or stereo file as it lies in staging, where to write the copy.

    path:           of the copy in the package.
    true_peak_dbtp: of the file; over -1 dBTP it is turned down by one gain, never limited.
    """

    file: StagedFile
    header: Header
    path: str
    target: StagedFile
    true_peak_dbtp: float


def make_listening_copy(job: ListeningJob) -> StagedDocument:
    """Write the copy, read it back and decode it.

    Raises DeliveryError when the disk refuses, or when what it gives back does not decode to the
    length and level of the file.
    """
    with told_as_delivery_error("writing", job.path):
        coded = _encode(job)
        sha256, sha512, size_bytes = _hashes(job.target)
    _compare(job, coded, _decode(job))
    return StagedDocument(
        path=job.path, staged=job.target.path, sha256=sha256, sha512=sha512, size_bytes=size_bytes
    )


def coded_rate_hz(rate_hz: int) -> int:
    """Rate that the coder takes: the file's own, else the highest of its family, else 48 kHz."""
    if rate_hz in CODED_RATES_HZ:
        return rate_hz
    return 44_100 if rate_hz % 11_025 == 0 else 48_000


class _Power:
    """Frames and mean square of what runs through."""

    def __init__(self) -> None:
        self.frames = 0
        self._energy = 0.0

    def add(self, block: Planar) -> None:
        self.frames += block.shape[1]
        self._energy += float(np.mean(np.square(block), axis=0).sum())

    @property
    def rms(self) -> float:
        return math.sqrt(self._energy / self.frames) if self.frames else 0.0


def _encode(job: ListeningJob) -> _Power:
    from pedalboard.io import AudioFile  # a tenth of a second: only where a copy is made

    stream, power = _sound(job), _Power()
    with os.fdopen(job.target.create(), "w+b") as file:
        with AudioFile(
            file,
            "w",
            samplerate=stream.rate_hz,
            num_channels=stream.channels,
            quality=QUALITY,
            format="mp3",
        ) as coder:
            for block in stream.blocks:
                power.add(block)
                coder.write(np.ascontiguousarray(block, dtype=np.float32))
        file.flush()
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    return power


def _sound(job: ListeningJob) -> Stream:
    form = job.header.format
    assert form is not None, "only a file with sound is copied"
    stream = Stream(
        name=job.path,
        rate_hz=form.sample_rate_hz,
        frames=job.header.frames,
        origins=(("", 1),) * form.channels,
        bit_depth=None,
        blocks=_blocks(job),
    )
    to_hz = coded_rate_hz(form.sample_rate_hz)
    if to_hz == form.sample_rate_hz:
        return stream
    step = Operation(
        name="convert-rate", parameters={"from_hz": form.sample_rate_hz, "to_hz": to_hz}
    )
    return convert_rate(stream, step)


def _blocks(job: ListeningJob) -> Iterator[Planar]:
    gain = ratio_from_db(min(0.0, CEILING_DBTP - job.true_peak_dbtp))
    with job.file.open() as file:
        for block in read_blocks(file, job.header, _unheard):
            yield block.samples.astype(np.float64) * gain


def _unheard(_: bytes | memoryview) -> None:
    """The bytes were hashed when the file was read back."""


def _hashes(target: StagedFile) -> tuple[str, str, int]:
    sha256, sha512, size_bytes = hashlib.sha256(), hashlib.sha512(), 0
    with target.open() as file:
        while piece := file.read(_COPY_BYTES):
            sha256.update(piece)
            sha512.update(piece)
            size_bytes += len(piece)
    return sha256.hexdigest(), sha512.hexdigest(), size_bytes


def _decode(job: ListeningJob) -> _Power:
    from pedalboard.io import AudioFile

    power = _Power()
    try:
        with job.target.open() as file, AudioFile(file) as decoder:
            while (block := decoder.read(65_536)).shape[1]:
                power.add(block.astype(np.float64))
    except (ValueError, RuntimeError, OSError) as error:
        raise DeliveryError(
            f"{job.path}: was written and does not decode: {error}; "
            "check the destination's disk and deliver again"
        ) from error
    return power


def _compare(job: ListeningJob, coded: _Power, decoded: _Power) -> None:
    """Length within the coder's own delay, level within what coding loses."""
    extra = decoded.frames - coded.frames
    is_level_kept = coded.rms < _SILENT_RMS or (
        decoded.rms > 0 and abs(20 * math.log10(decoded.rms / coded.rms)) <= _MOST_DIFFERENCE_DB
    )
    if not 0 <= extra <= _MOST_EXTRA_FRAMES * _FRAME_SAMPLES or not is_level_kept:
        raise DeliveryError(
            f"{job.path}: {coded.frames} samples were coded at {coded.rms:.4f} RMS, and "
            f"{decoded.frames} at {decoded.rms:.4f} RMS come out; check the destination's disk "
            "and deliver again"
        )
