"""Nothing leaves the house that others cannot read: told before, cured or kept home, marked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.app.check.inspect import inspect
from stemprep.app.delivery.deliver import deliver, plan
from stemprep.model.finding import Finding
from stemprep.model.report import Report
from tests import signals
from tests.containers.other_builder import iff, library_file
from tests.containers.riff_builder import chunk, fmt, riff
from tests.containers.test_flac_contradictions import with_packed
from tests.end_to_end import drops

FRAMES = 48_000
ODD = "02 Keys"
FORMAT = fmt(channels=2)


def values() -> np.ndarray:
    sound = signals.pluck(peak_dbfs=-6, seconds=1, channels=2)
    return np.rint(sound.T * 2**23).astype(np.int32)


def data(frames: int = FRAMES) -> bytes:
    # shape (frames, 2 channels * 4 bytes): the lowest three bytes of each sample
    stored = (
        np.ascontiguousarray(values()[:frames], dtype="<i4").view(np.uint8).reshape(-1, 4)[:, :3]
    )
    return chunk(b"data", stored.tobytes())


def drop(folder: Path, content: bytes, extension: str = ".wav") -> Path:
    """A session of two tracks; the second is the one in question."""
    folder.mkdir()
    drops.write_take(
        folder / "01 Guitar.wav",
        signals.pluck(peak_dbfs=-9, seconds=1, channels=2, seed=2),
        start_s=None,
    )
    (folder / f"{ODD}{extension}").write_bytes(content)
    return folder


def header_finding(report: Report) -> Finding:
    told = [finding for finding in report.findings if finding.check == "header"]
    assert told, [finding.check for finding in report.findings]
    return told[0]


CURABLE = {
    "sound before fmt": riff(data(), FORMAT),
    "the same fmt twice": riff(FORMAT, FORMAT, data()),
    "a wrong byte rate besides": riff(data(), FORMAT[:16] + b"\1\0\0\0" + FORMAT[20:]),
    "never closed": riff(FORMAT, data()[:4] + bytes(4) + data()[8:], size=0),
}


@pytest.mark.parametrize("spec", ["mastering", "overdub"])
@pytest.mark.parametrize("content", CURABLE.values(), ids=CURABLE.keys())
def test_what_only_we_can_open_is_delivered_as_a_copy_that_everybody_opens(
    content: bytes, spec: str, tmp_path: Path
) -> None:
    place = drop(tmp_path / "drop", content)
    told = header_finding(inspect(place, spec))
    assert (told.severity, told.repair) == ("fail", "copy-audio")
    report = deliver(place, spec, [tmp_path / "out"])
    assert report.package is not None, [finding.message for finding in report.findings]
    (made,) = Path(report.package).glob("data/**/*Keys*.wav")
    read, rate_hz = soundfile.read(made, dtype="int32", always_2d=True)
    assert rate_hz == 48_000
    assert np.array_equal(read >> 8, values())


HOPELESS = {
    "two sounds": (riff(FORMAT, data(), data(24_000)), ".wav"),
    "two formats": (riff(FORMAT, fmt(channels=2, rate_hz=44_100), data()), ".wav"),
    "frames against STREAMINFO": (
        with_packed(library_file("FLAC", "PCM_24", values() << 8), 44, 20, 44_100),
        ".flac",
    ),
    "a second stream": (library_file("FLAC", "PCM_24", values() << 8) * 2, ".flac"),
}


@pytest.mark.parametrize("spec", ["mastering", "overdub"])
@pytest.mark.parametrize(("content", "extension"), HOPELESS.values(), ids=HOPELESS.keys())
def test_what_can_be_read_in_two_ways_stays_home(
    content: bytes, extension: str, spec: str, tmp_path: Path
) -> None:
    place = drop(tmp_path / "drop", content, extension)
    told = header_finding(inspect(place, spec))
    assert (told.severity, told.repair) == ("fail", None)
    report = deliver(place, spec, [tmp_path / "out"])
    assert report.package is None


@pytest.mark.parametrize(
    ("content", "extension"),
    [(CURABLE["sound before fmt"], ".wav"), *HOPELESS.values()],
    ids=["sound before fmt", *HOPELESS],
)
def test_an_archive_keeps_it_byte_for_byte_and_lists_it_first(
    content: bytes, extension: str, tmp_path: Path
) -> None:
    place = drop(tmp_path / "drop", content, extension)
    assert header_finding(inspect(place, "archive")).severity == "warn"
    report = deliver(place, "archive", [tmp_path / "out"])
    assert report.package is not None, [finding.message for finding in report.findings]
    package = Path(report.package)
    (kept,) = package.glob(f"data/**/{ODD}*")
    assert kept.read_bytes() == content
    readme = (package / "README.txt").read_text()
    assert 0 < readme.index(f"data/{kept.name}") < readme.index("What, who, when")
    note = (package / "data/delivery-note.txt").read_text()
    assert note.index(ODD) < note.index("01 Guitar")


def test_a_plan_says_it_first_for_an_archive(tmp_path: Path) -> None:
    planned = plan(drop(tmp_path / "drop", CURABLE["sound before fmt"]), "archive")
    odd = [output.is_doubtful for output in planned.plan.outputs if ODD in output.path]
    assert odd == [True]


def test_a_rare_container_is_rewrapped_where_the_receiver_takes_it(tmp_path: Path) -> None:
    """Two COMM chunks that agree: libsndfile refuses the AIFF; the samples are not in doubt."""
    whole = library_file("AIFF", "PCM_24", values() << 8)
    at = whole.index(b"COMM")
    size = int.from_bytes(whole[at + 4 : at + 8], "big")
    common = whole[at + 8 : at + 8 + size]
    doubled = whole[:at] + iff(b"COMM", common) + whole[at:]
    doubled = doubled[:4] + (len(doubled) - 8).to_bytes(4, "big") + doubled[8:]
    (tmp_path / "own.yaml").write_text(
        "title: Own\npurpose: A room that takes AIFF\nextends: mastering\n"
        "checks:\n  container:\n    severity: warn\n    accepted: [WAV, AIFF]\n"
    )
    place = drop(tmp_path / "drop", doubled, ".aif")
    report = deliver(place, str(tmp_path / "own.yaml"), [tmp_path / "out"])
    assert report.package is not None, [finding.message for finding in report.findings]
    for path in Path(report.package).glob("data/**/*Keys*"):
        read, _ = soundfile.read(path, dtype="int32", always_2d=True)
        assert np.array_equal(read >> 8, values())
