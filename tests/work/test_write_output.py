"""Writing one file of a package: what is promised of its bytes, and when writing is refused."""

from __future__ import annotations

import errno
import os
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stemprep.errors import DeliveryError, PrepareError
from stemprep.model.facts import FileFacts
from stemprep.model.header import Bext
from stemprep.model.plan import Operation, OutputPlan
from stemprep.work.measure import MeasureJob, measure_file
from stemprep.work.write import SourceRef, WriteJob, write_output
from tests.containers.riff_builder import chunk, extensible, fmt, riff
from tests.package.staged import staged
from tests.shipped import measure_settings

COPY = (Operation(name="copy"),)
COPY_AUDIO = (Operation(name="copy-audio"),)
RENDERED = (Operation(name="gain", parameters={"gain_db": 0.0}),)
FRAMES = 600
KINDS = [
    ("integer", 1, 8, 8),
    ("integer", 1, 16, 16),
    ("integer", 1, 24, 24),
    ("integer", 1, 32, 32),
    ("float", 3, 32, 32),
    ("float", 3, 64, 64),
    ("extensible", 1, 24, 20),
    ("extensible", 1, 32, 24),
    ("extensible", 3, 32, 32),
]


def _sound(kind: str, tag: int, bits: int, valid: int, channels: int) -> bytes:
    """Noise in the stored form; bits beyond the valid ones are zero, floats go over full scale."""
    numbers = np.random.default_rng(bits + channels)
    if tag == 3:
        values = numbers.normal(0, 0.5, FRAMES * channels)
        return values.astype("<f4" if bits == 32 else "<f8").tobytes()
    codes = numbers.integers(-(2**31), 2**31, FRAMES * channels) >> (32 - valid) << (bits - valid)
    if bits == 8:
        return (codes + 128).astype(np.uint8).tobytes()
    return codes.astype("<i4").view(np.uint8).reshape(-1, 4)[:, : bits // 8].tobytes()


def _file(kind: str, tag: int, bits: int, valid: int, channels: int, magic: bytes) -> bytes:
    sound = _sound(kind, tag, bits, valid, channels)
    form = (
        extensible(valid=valid, mask=0, tag=tag, channels=channels, bits=bits)
        if kind == "extensible"
        else fmt(tag=tag, channels=channels, bits=bits)
    )
    extra = chunk(b"LIST", b"INFO" + chunk(b"INAM", b"take 3"))
    if magic == b"RIFF":
        return riff(form, extra, chunk(b"data", sound))
    unknown = 0xFFFFFFFF
    body = form + chunk(b"data", sound, size=unknown) + extra
    size = 4 + 36 + len(body)
    ds64 = chunk(b"ds64", struct.pack("<QQQI", size, len(sound), FRAMES, 0))
    return riff(ds64, body, magic=magic, size=unknown)


def _measured(folder: Path, content: bytes, name: str = "take.wav") -> FileFacts:
    (folder / name).write_bytes(content)
    return measure_file(_measure_job(folder, name))


def _measure_job(folder: Path, name: str = "take.wav") -> MeasureJob:
    return MeasureJob(
        root=str(folder), raw_path=os.fsencode(name), name=name, settings=measure_settings()
    )


def _job(
    folder: Path, facts: FileFacts, operations: tuple[Operation, ...], **more: object
) -> WriteJob:
    form = facts.format
    if form is not None and operations == COPY_AUDIO:
        form = replace(form, container="WAV")
    output = OutputPlan(
        sources=("take.wav",),
        path="tracks/take.wav",
        role="track",
        song="",
        operations=operations,
        format=form,
        frames=facts.header.frames,
        **more,  # type: ignore[arg-type]
    )
    return WriteJob(
        root=str(folder),
        output=output,
        sources=(SourceRef(path="take.wav", raw_path=b"take.wav", facts=facts),),
        target=staged(folder / "written.wav"),
        settings=measure_settings(),
    )


def _audio_bytes(path: str | Path, facts: FileFacts) -> bytes:
    begin = facts.header.data_offset_bytes
    return Path(path).read_bytes()[begin : begin + facts.header.data_size_bytes]


BEXT = Bext(description="take", time_reference_samples=172_800_000, coding_history="A=PCM\r\n")


@pytest.mark.parametrize("magic", [b"RIFF", b"RF64", b"BW64"])
@pytest.mark.parametrize("channels", [1, 2, 6, 64])
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: "-".join(map(str, kind)))
def test_copy_audio_keeps_the_sounds_bytes_also_with_metadata_added(
    tmp_path: Path, kind: tuple[str, int, int, int], channels: int, magic: bytes
) -> None:
    facts = _measured(tmp_path, _file(*kind, channels, magic))
    assert facts.header.faults == ()
    names = tuple(f"microphone {number}" for number in range(channels))
    written = write_output(_job(tmp_path, facts, COPY_AUDIO, bext=BEXT, track_names=names))
    assert _audio_bytes(written.staged, written.after) == _audio_bytes(tmp_path / "take.wav", facts)
    assert written.after.audio_sha256 == facts.audio_sha256
    assert written.after.header.faults == ()
    assert written.after.header.bext is not None
    assert written.after.header.bext.time_reference_samples == 172_800_000
    assert written.after.header.ixml is not None
    assert tuple(track.name for track in written.after.header.ixml.tracks) == names
    assert written.after.header.info == (("INAM", "take 3"),)


@settings(
    max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(content=st.binary(max_size=300), kind=st.sampled_from(KINDS), cut=st.integers(0, 2000))
def test_copy_keeps_whatever_bytes_there_are(
    tmp_path: Path, content: bytes, kind: tuple[str, int, int, int], cut: int
) -> None:
    """No operation planned means bit-identical output: also for damaged files and for no audio."""
    whole = _file(*kind, 1, b"RIFF")
    for bytes_there in (content, whole[:cut] + content, whole + content):
        facts = _measured(tmp_path, bytes_there)
        (tmp_path / "written.wav").unlink(missing_ok=True)
        written = write_output(_job(tmp_path, facts, COPY))
        assert Path(written.staged).read_bytes() == bytes_there
        assert written.sha256 == facts.sha256
        assert written.after == facts


def _one(folder: Path) -> tuple[FileFacts, bytes]:
    content = _file("integer", 1, 24, 24, 1, b"RIFF")
    return _measured(folder, content), content


@pytest.mark.parametrize(
    "operations",
    [COPY, COPY_AUDIO, RENDERED],
    ids=["copy", "copy-audio", "rendered"],
)
def test_a_source_that_changed_since_the_check_is_refused(
    tmp_path: Path, operations: tuple[Operation, ...]
) -> None:
    facts, content = _one(tmp_path)
    changed = bytearray(content)
    changed[-1] ^= 1
    (tmp_path / "take.wav").write_bytes(changed)
    with pytest.raises(DeliveryError, match=r"take\.wav: changed since it was checked"):
        write_output(_job(tmp_path, facts, operations))


@pytest.mark.parametrize("how", ["gone", "link", "folder"])
def test_a_source_that_is_no_file_any_more_is_refused(tmp_path: Path, how: str) -> None:
    facts, content = _one(tmp_path)
    take = tmp_path / "take.wav"
    take.unlink()
    if how == "link":
        (tmp_path / "other.wav").write_bytes(content)
        take.symlink_to(tmp_path / "other.wav")
    elif how == "folder":
        take.mkdir()
    with pytest.raises(DeliveryError, match=r"take\.wav: .*not any more"):
        write_output(_job(tmp_path, facts, COPY))


@pytest.mark.parametrize(
    ("code", "words"), [(errno.ENOSPC, "disk is full"), (errno.EIO, "disk reported a fault")]
)
def test_a_disk_that_refuses_is_told(
    tmp_path: Path, code: int, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    facts, _ = _one(tmp_path)

    def refuse(_: int) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(DeliveryError, match=words):
        write_output(_job(tmp_path, facts, COPY))


@pytest.mark.parametrize(
    "operations", [COPY, COPY_AUDIO, RENDERED], ids=["copy", "copy-audio", "rendered"]
)
def test_a_disk_that_gives_back_other_bytes_is_told(
    tmp_path: Path, operations: tuple[Operation, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lie is told between writing and reading back, as a failing controller would."""
    facts, _ = _one(tmp_path)
    job = _job(tmp_path, facts, operations)

    def corrupt(descriptor: int) -> None:
        os.pwrite(descriptor, b"\xa5", os.fstat(descriptor).st_size - 1)

    monkeypatch.setattr(os, "fsync", corrupt)
    with pytest.raises(DeliveryError, match="gave back other bytes"):
        write_output(job)


def test_an_existing_file_is_never_written_over(tmp_path: Path) -> None:
    facts, _ = _one(tmp_path)
    (tmp_path / "written.wav").write_bytes(b"somebody's")
    with pytest.raises(DeliveryError):
        write_output(_job(tmp_path, facts, COPY))
    assert (tmp_path / "written.wav").read_bytes() == b"somebody's"


def test_a_plan_that_promises_another_length_is_our_fault(tmp_path: Path) -> None:
    facts, _ = _one(tmp_path)
    job = _job(tmp_path, facts, COPY_AUDIO)
    short = replace(job, output=replace(job.output, frames=FRAMES + 1))
    with pytest.raises(PrepareError, match="fault of stemprep"):
        write_output(short)


def test_permissions_do_not_depend_on_the_umask(tmp_path: Path) -> None:
    facts, _ = _one(tmp_path)
    before = os.umask(0o077)
    try:
        written = write_output(_job(tmp_path, facts, COPY))
    finally:
        os.umask(before)
    assert Path(written.staged).stat().st_mode & 0o777 == 0o644
