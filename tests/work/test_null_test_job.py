"""The null test on files: placed, streamed, told in the samples of the file at fault."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest

from stemprep.containers import read_header
from stemprep.model.header import Header
from stemprep.work.null_test import NullTestJob, SummedFile, run_null_test
from tests import signals

RATE_HZ = 48_000


def stems(seconds: float = 3.0) -> list[signals.Planar]:
    return [
        np.round(signals.noise(peak_dbfs=-20, seconds=seconds, channels=2, seed=seed) * 2**23)
        / 2**23
        for seed in range(3)
    ]


def summed(folder: Path, name: str, start_samples: int | None = None) -> SummedFile:
    content = (folder / name).read_bytes()
    header: Header = read_header(io.BytesIO(content), len(content), name)
    return SummedFile(
        path=name,
        raw_path=name.encode(),
        header=header,
        word_bits=24,
        peak=0.1,
        rms=0.05,
        start_samples=start_samples,
    )


def job(folder: Path, starts: tuple[int | None, ...] = (None,) * 4) -> NullTestJob:
    names = ("mix.wav", "a.wav", "b.wav", "c.wav")
    files = [summed(folder, name, start) for name, start in zip(names, starts, strict=True)]
    return NullTestJob(root=str(folder), song="", folder="", mix=files[0], stems=tuple(files[1:]))


def write(folder: Path, mix: signals.Planar, parts: list[signals.Planar]) -> None:
    for name, sound in zip(("mix.wav", "a.wav", "b.wav", "c.wav"), (mix, *parts), strict=True):
        signals.write_wav(folder / name, sound)


def test_files_that_add_up_are_exact(tmp_path: Path) -> None:
    parts = stems()
    write(tmp_path, sum(parts, np.zeros_like(parts[0])), parts)
    result = run_null_test(job(tmp_path))
    assert result is not None
    assert (result.verdict, result.residual_peak_dbfs) == ("exact", -np.inf)
    assert result.residual_over_time_dbfs
    assert result.placed_by == "file-start"


def test_time_references_place_files_that_begin_later(tmp_path: Path) -> None:
    parts = stems()
    mix = sum(parts, np.zeros_like(parts[0]))
    late = parts[1][:, 10_000:]
    mix[:, :10_000] -= parts[1][:, :10_000]
    write(tmp_path, mix, [parts[0], late, parts[2]])
    result = run_null_test(job(tmp_path, (500_000, 500_000, 510_000, 500_000)))
    assert result is not None
    assert (result.verdict, result.placed_by) == ("exact", "time-reference")


def test_time_references_that_contradict_the_sound_are_not_followed(tmp_path: Path) -> None:
    parts = stems()
    write(tmp_path, sum(parts, np.zeros_like(parts[0])), parts)
    result = run_null_test(job(tmp_path, (500_000, 500_000, 596_000, 500_000)))
    assert result is not None
    assert (result.verdict, result.placed_by) == ("exact", "file-start")


def test_a_late_section_is_told_in_the_samples_of_its_file(tmp_path: Path) -> None:
    parts = stems()
    mix = sum(parts, np.zeros_like(parts[0]))
    mix[:, :10_000] -= parts[1][:, :10_000]
    changed = parts[1][:, 10_000:].copy()
    changed[:, 40_000:90_000] *= 0.5
    write(tmp_path, mix, [parts[0], changed, parts[2]])
    result = run_null_test(job(tmp_path, (500_000, 500_000, 510_000, 500_000)))
    assert result is not None
    (cause,) = result.causes
    assert (cause.kind, cause.file) == ("level", "b.wav")
    assert cause.gain_db == pytest.approx(-6.0206, abs=0.001)
    assert cause.start_sample == pytest.approx(40_000, abs=4)
    assert cause.end_sample == pytest.approx(90_000, abs=4)


def test_a_shorter_file_is_told_as_cut_short(tmp_path: Path) -> None:
    parts = stems()
    write(tmp_path, sum(parts, np.zeros_like(parts[0])), [parts[0][:, :100_000], *parts[1:]])
    result = run_null_test(job(tmp_path))
    assert result is not None
    (cause,) = result.causes
    assert (cause.kind, cause.file) == ("cut-short", "a.wav")
    assert (cause.start_sample, cause.end_sample) == (100_000, 144_000)


def test_a_file_that_has_gone_gives_no_result(tmp_path: Path) -> None:
    parts = stems(0.1)
    write(tmp_path, sum(parts, np.zeros_like(parts[0])), parts)
    planned = job(tmp_path)
    (tmp_path / "b.wav").unlink()
    assert run_null_test(planned) is None


def test_memory_does_not_grow_with_length(tmp_path: Path) -> None:
    """Blocks of one file are dropped as the pass goes on; traced by numpy's own allocations."""
    import tracemalloc

    peaks = []
    for seconds in (8.0, 32.0):
        parts = stems(seconds)
        write(tmp_path, sum(parts, np.zeros_like(parts[0])), parts)
        planned = job(tmp_path)
        tracemalloc.start()
        run_null_test(planned)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] * 1.2
