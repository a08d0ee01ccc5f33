"""A package that begins at a bar is corrected: what joins it stands on its samples."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.app.corrections.correction import Correction
from stemprep.app.delivery.deliver import deliver
from stemprep.engine import InlineEngine
from tests.end_to_end import drops

RATE_HZ = 48_000
SPEC = """\
title: For a test
purpose: Click and tempo map alone
extends: overdub
contents:
  companions: [click, tempo-map]
"""
SHEET = """\
title: Slow Ferry Home
songs:
  - title: Slow Ferry Home
    files: ["*"]
    bar_1: {bar_1}
    count_in_bars: {count_in}
    tempo_map: [{{bar: 1, tempo_bpm: 120, meter: 4/4}}]
"""
BY_SAMPLES = "{samples: 384000}"
BY_TIMECODE = '{timecode: "01:00:08:00", frame_rate: 25}'


def take(folder: Path, name: str, seed: int, start_s: float | None) -> np.ndarray:
    """Eight seconds of silence, then a note: bar 1 is where it begins."""
    sound = np.pad(drops.note(peak_dbfs=-9, seconds=4.0, seed=seed), ((0, 0), (8 * RATE_HZ, 0)))
    drops.write_take(folder / name, sound, start_s=start_s)
    return sound[0]


def deliver_to(place: Path, drop: Path, correction: Correction | None = None) -> Path:
    (place / "bars.yaml").write_text(SPEC)
    report = deliver(
        drop, place / "bars.yaml", [place / "out"], correction=correction, engine=InlineEngine()
    )
    assert report.package is not None, [finding.message for finding in report.findings]
    return Path(report.package)


def sound_of(package: Path, pattern: str) -> np.ndarray:
    (path,) = (package / "data/tracks").glob(pattern)
    return np.asarray(soundfile.read(path)[0])


def bar_1_of(package: Path) -> int:
    manifest = json.loads((package / "data/manifest.json").read_text())
    bar_1 = manifest["start_references"]["Slow Ferry Home"]["bar_1_samples"]
    assert isinstance(bar_1, int)
    return bar_1


@pytest.mark.parametrize("count_in", [1, 7])  # the head is cut; silence is put in front
@pytest.mark.parametrize(("said", "start_s"), [(BY_SAMPLES, None), (BY_TIMECODE, 3600.0)])
def test_a_corrected_file_lands_where_the_old_one_stood(
    said: str, start_s: float | None, count_in: int, tmp_path: Path
) -> None:
    drop = tmp_path / "Slow Ferry Home"
    take(drop, "01 Kick.wav", 1, start_s)
    take(drop, "02 Bass.wav", 2, start_s)
    (drop / "session.yaml").write_text(SHEET.format(bar_1=said, count_in=count_in))
    first = deliver_to(tmp_path, drop)
    assert bar_1_of(first) == count_in * 2 * RATE_HZ
    corrected = take(tmp_path / "fix", "02 Bass.wav", 3, start_s)
    second = deliver_to(tmp_path, tmp_path / "fix", Correction(package=first, reason="wrong take"))
    assert bar_1_of(second) == bar_1_of(first)
    bass, kick = sound_of(second, "02*"), sound_of(second, "01*")
    assert np.array_equal(kick, sound_of(first, "01*"))
    at = bar_1_of(second)
    expected = corrected[8 * RATE_HZ :]
    assert np.abs(bass[at : at + expected.size] - expected).max() < 2.0**-22
    assert not bass[:at].any()
    clicks = [
        np.asarray(soundfile.read(each / "data/click/click.wav")[0]) for each in (first, second)
    ]
    assert np.array_equal(*clicks)


def test_a_file_of_the_package_that_was_worked_on_keeps_its_place(tmp_path: Path) -> None:
    """Unstamped session; the corrected file is the package's own, louder: nothing moves."""
    drop = tmp_path / "Slow Ferry Home"
    take(drop, "01 Kick.wav", 1, None)
    take(drop, "02 Bass.wav", 2, None)
    (drop / "session.yaml").write_text(SHEET.format(bar_1=BY_SAMPLES, count_in=1))
    first = deliver_to(tmp_path, drop)
    louder = 0.5 * sound_of(first, "02*")
    drops.write_take(tmp_path / "fix" / "02 Bass.wav", louder[None, :], start_s=None)
    second = deliver_to(tmp_path, tmp_path / "fix", Correction(package=first, reason="softer"))
    assert np.abs(sound_of(second, "02*") - louder).max() < 2.0**-22
    assert bar_1_of(second) == bar_1_of(first)


def test_what_sounds_before_the_package_stops_the_correction(tmp_path: Path) -> None:
    """The package begins at bar 1 less a bar; a corrected take that sounds before is not cut."""
    drop = tmp_path / "Slow Ferry Home"
    take(drop, "01 Kick.wav", 1, None)
    take(drop, "02 Bass.wav", 2, None)
    (drop / "session.yaml").write_text(SHEET.format(bar_1=BY_SAMPLES, count_in=1))
    first = deliver_to(tmp_path, drop)
    early = np.pad(drops.note(peak_dbfs=-9, seconds=9.0, seed=4), ((0, 0), (3 * RATE_HZ, 0)))
    drops.write_take(tmp_path / "fix" / "02 Bass.wav", early, start_s=None)
    report = deliver(
        tmp_path / "fix", tmp_path / "bars.yaml", [tmp_path / "out"],
        correction=Correction(package=first, reason="wrong take"), engine=InlineEngine(),
    )  # fmt: skip
    assert report.package is None
    (stop,) = [finding for finding in report.findings if finding.severity == "fail"]
    assert (stop.check, stop.file) == ("start-alignment", "02 Bass.wav")
    assert "begins 288,000 samples into the files as they were dropped" in stop.message
