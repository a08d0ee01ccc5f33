"""Measuring one file: what cannot be opened, read or trusted becomes facts, never a crash."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import struct
from pathlib import Path
from typing import Any

import pytest

from stemprep.engine import InlineEngine, ProcessEngine
from stemprep.work import measure
from stemprep.work.measure import MeasureJob, measure_file, unmeasured
from tests import signals
from tests.service.rights import without_rights
from tests.shipped import measure_settings


def _job(root: Path, name: str = "take.wav") -> MeasureJob:
    return MeasureJob(
        root=str(root), raw_path=os.fsencode(name), name=name, settings=measure_settings()
    )


def _take(root: Path, name: str = "take.wav") -> Path:
    return signals.write_wav(root / name, signals.pluck(peak_dbfs=-6, seconds=0.5))


def test_hash_and_size_are_the_files(tmp_path: Path) -> None:
    take = _take(tmp_path)
    facts = measure_file(_job(tmp_path))
    assert facts.sha256 == hashlib.sha256(take.read_bytes()).hexdigest()
    assert facts.size_bytes == take.stat().st_size
    assert facts.sound is not None
    assert facts.sound.level.sample_peak_dbfs == pytest.approx(-6.0, abs=1e-3)


@pytest.mark.parametrize("kind", ["gone", "folder", "pipe", "link out"])
def test_what_cannot_be_opened_is_unreadable(tmp_path: Path, kind: str) -> None:
    root = tmp_path / "drop"
    root.mkdir()
    place = root / "take.wav"
    if kind == "folder":
        place.mkdir()
    elif kind == "pipe":
        os.mkfifo(place)
    elif kind == "link out":
        place.symlink_to(_take(tmp_path, "outside.wav"))
    facts = measure_file(_job(root))
    assert facts.sound is None
    assert facts.sha256 == ""
    (fault,) = facts.header.faults
    assert (fault.check, fault.severity) == ("unreadable", "fail")
    assert fault.message.startswith("Cannot be read: ")


def test_what_may_not_be_read_is_opened_and_not_exported_again(tmp_path: Path) -> None:
    _take(tmp_path).chmod(0)
    with without_rights():
        (fault,) = measure_file(_job(tmp_path)).header.faults
    assert "Permission denied" in fault.message
    assert fault.advice.startswith("Make it readable")


def test_a_disk_that_fails_while_reading_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = _take(tmp_path)

    class Failing(io.BufferedReader):
        def _fail(self) -> None:
            if self.tell() > 8192:
                raise OSError(errno.EIO, os.strerror(errno.EIO))

        def readinto(self, buffer: object) -> int:
            self._fail()
            return super().readinto(buffer)  # type: ignore[arg-type]

        def read(self, size: int | None = -1) -> bytes:
            self._fail()
            return super().read(size)

    def open_failing(*_: object) -> io.BufferedReader:
        stream = Failing(io.FileIO(take), buffer_size=4096)
        stream.seek(0)
        return stream

    monkeypatch.setattr(measure, "open_regular", open_failing)
    monkeypatch.setattr(measure, "read_header", _far_away(measure.read_header))
    facts = measure_file(_job(tmp_path))
    assert facts.sound is None
    assert "Input/output error" in facts.header.faults[0].found


def _far_away(real):  # type: ignore[no-untyped-def]
    """The header is read; then the head of the disk stands beyond it."""

    def read_header(stream, size_bytes, name):  # type: ignore[no-untyped-def]
        header = real(stream, size_bytes, name)
        stream.seek(10_000)
        return header

    return read_header


@pytest.mark.parametrize(
    "content", [b"", b"RIFF", b"\0" * 5000, b"ID3\x04" + b"x" * 200, b"RIFF\xff\xff\xff\xffWAVE"]
)
def test_what_is_no_sound_has_faults_and_its_hash(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "take.wav").write_bytes(content)
    facts = measure_file(_job(tmp_path))
    assert facts.sound is None
    assert facts.header.faults
    assert facts.sha256 == hashlib.sha256(content).hexdigest()


@pytest.mark.usefixtures("worker_processes")
def test_facts_do_not_depend_on_the_process(tmp_path: Path) -> None:
    for number in range(5):
        signals.write_wav(
            tmp_path / f"{number}.wav",
            signals.noise(peak_dbfs=-3, seconds=0.7, channels=1 + number % 2, seed=number),
            rate_hz=(44_100, 48_000, 96_000)[number % 3],
            subtype=("PCM_16", "PCM_24", "FLOAT")[number % 3],
        )
    jobs = [_job(tmp_path, f"{number}.wav") for number in range(5)]
    inline = InlineEngine().run(measure_file, jobs)
    assert inline == ProcessEngine(workers=2).run(measure_file, jobs)


def test_unmeasured_says_why() -> None:
    facts = unmeasured("the decoder crashed")
    assert "the decoder crashed" in facts.header.faults[0].message
    assert facts.header.format is None


@pytest.mark.parametrize("change", ["grow", "write over"])
def test_a_file_that_is_written_to_while_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    """Facts half of the old and half of the new file would be true of neither."""
    take = _take(tmp_path)
    os.utime(take, ns=(1, 1))
    read = measure.measure_stream

    def meddled(*arguments: Any) -> Any:
        result = read(*arguments)
        with take.open("ab" if change == "grow" else "r+b") as stream:
            stream.write(b"RIFF")
        return result

    monkeypatch.setattr(measure, "measure_stream", meddled)
    facts = measure_file(_job(tmp_path))
    assert (facts.sound, facts.sha256) == (None, "")
    assert "written to while it was read" in facts.header.faults[0].message


def test_signalling_nans_are_told_and_not_warned_of(tmp_path: Path) -> None:
    """IEEE 754: exponent all ones, first bit of the fraction clear; numpy warns of casting one."""
    content = bytearray(
        signals.write_wav(
            tmp_path / "take.wav", signals.silence(seconds=0.1), subtype="FLOAT"
        ).read_bytes()
    )
    struct.pack_into("<I", content, len(content) - 400, 0x7F800001)
    (tmp_path / "take.wav").write_bytes(content)
    facts = measure_file(_job(tmp_path))
    assert facts.sound is not None
    assert facts.sound.non_finite.count == 1
