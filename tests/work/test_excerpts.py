"""Places of files: by seeking and in one pass, against the reference library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.containers import read_header
from stemprep.errors import InputError
from stemprep.work.excerpts import SoundFile, is_seekable, mono_blocks, read_spans
from tests import signals

FRAMES = 200_000
SPANS = [(0, 1_000), (65_000, 67_000), (199_500, 200_500), (-300, 200), (300_000, 300_010), (5, 5)]


def written(path: Path, subtype: str, channels: int) -> tuple[SoundFile, np.ndarray]:
    sound = signals.noise(peak_dbfs=-3, seconds=FRAMES / 48_000, channels=channels)
    signals.write_wav(path, sound, subtype=subtype)
    with path.open("rb") as stream:
        header = read_header(stream, path.stat().st_size, path.name)
    read, _ = soundfile.read(path, dtype="float32", always_2d=True)
    return SoundFile(path=path.name, raw_path=path.name.encode(), header=header), read.T


@pytest.mark.parametrize(
    ("name", "subtype"),
    [("a.wav", "PCM_16"), ("a.wav", "PCM_24"), ("a.wav", "FLOAT"), ("a.flac", "PCM_24"),
     ("a.aiff", "PCM_24")],
)  # fmt: skip
@pytest.mark.parametrize("channels", [1, 2])
def test_spans_are_what_the_library_reads(
    tmp_path: Path, name: str, subtype: str, channels: int
) -> None:
    file, whole = written(tmp_path / name, subtype, channels)
    assert is_seekable(file) == name.endswith(".wav")
    padded = np.pad(whole, ((0, 0), (1_000, 200_000)))
    for span, found in zip(SPANS, read_spans(str(tmp_path), file, SPANS), strict=True):
        expected = padded[:, span[0] + 1_000 : span[1] + 1_000]
        np.testing.assert_array_equal(found, expected)


def test_the_whole_file_as_mono(tmp_path: Path) -> None:
    file, whole = written(tmp_path / "a.wav", "PCM_24", 2)
    found = np.concatenate(list(mono_blocks(str(tmp_path), file)))
    np.testing.assert_allclose(found, whole.mean(axis=0), atol=1e-7)


def test_a_file_that_is_gone(tmp_path: Path) -> None:
    file, _ = written(tmp_path / "a.wav", "PCM_16", 1)
    (tmp_path / "a.wav").unlink()
    with pytest.raises((InputError, OSError)):
        read_spans(str(tmp_path), file, SPANS)
