"""Page one of a package: what was not summed stands first, and every figure is of what travels."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.app.corrections.correction import Correction
from stemprep.app.delivery.deliver import deliver
from stemprep.engine import InlineEngine
from tests import signals
from tests.end_to_end import drops

NAMES = ("Bass", "Drums", "Gtr", "Keys", "Pad", "Vox")
SHEET = """\
title: Slow Ferry Home
songs:
  - title: Slow Ferry Home
"""


def stems_of(peak_dbfs: float) -> dict[str, signals.Planar]:
    sounds: dict[str, signals.Planar] = {}
    for seed, name in enumerate(NAMES, start=1):
        sound = drops.note(peak_dbfs=peak_dbfs, seconds=1.0, channels=2, seed=seed)
        sound[seed % 2] *= 0.5
        sounds[name] = np.round(sound * 2**23) / 2**23
    return sounds


def whole_drop(folder: Path, sheet: str = SHEET, peak_dbfs: float = -18.0) -> Path:
    """Six stems, their mix, and that mix once more as instrumental and a cappella."""
    sounds = stems_of(peak_dbfs)
    total = sum(sounds.values(), np.zeros((2, 48_000)))
    for name, sound in sounds.items():
        drops.write_take(folder / f"Song_STEM {name}.wav", sound)
    drops.write_take(folder / "Song Mix.wav", total)
    drops.write_take(folder / "Song Instrumental.wav", total - sounds["Vox"])
    drops.write_take(folder / "Song A Cappella.wav", sounds["Vox"])
    (folder / "session.yaml").write_text(sheet)
    return folder


def delivered(drop: Path, out: Path, correction: Correction | None = None) -> Path:
    report = deliver(drop, "mastering", [out], correction=correction, engine=InlineEngine())
    assert report.package is not None, [finding.message for finding in report.findings]
    return Path(report.package)


def page_one(package: Path) -> str:
    note = (package / "data/delivery-note.txt").read_text(encoding="utf-8")
    return " ".join(note.split("\nAt a glance")[0].split())


def delivered_sum_dbfs(package: Path) -> float:
    """Peak of the delivered stems' sum, read by libsndfile."""
    stems = sorted((package / "data/stems").glob("*.wav"))
    total = sum(soundfile.read(path)[0] for path in stems)
    return float(20 * np.log10(np.abs(total).max()))


@pytest.fixture(scope="module")
def corrected(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("corrected")
    package = delivered(whole_drop(place / "drop"), place / "out")
    odd = drops.note(peak_dbfs=-18.0, seconds=1.0, rate_hz=44_100, channels=2, seed=9)
    odd[1] *= 0.5
    drops.write_take(place / "fix" / "Song_STEM Keys.wav", odd, rate_hz=44_100)
    return delivered(place / "fix", place / "out", Correction(package=package, reason="new keys"))


def test_what_was_not_summed_stands_first_with_the_reason(corrected: Path) -> None:
    told = page_one(corrected)
    song = told.split("Title to print")[0]
    assert (
        "Not summed 6 stems against mixes/Song Mix.wav: stems/Song_STEM Keys.wav at 44.1 kHz"
        in (song)
    )
    assert "the mix at 48 kHz" in song


def test_each_null_line_names_its_files(corrected: Path) -> None:
    told = page_one(corrected)
    line = told[told.index("Null test") :].split("Levels")[0]
    for name in ("Song Mix.wav", "Song Instrumental.wav", "Song A Cappella.wav"):
        assert f"mixes/{name}" in line
    assert "stems add up" not in line
    assert "2 alternate mixes add up to the mix" in line


def test_figures_are_of_what_was_delivered_and_the_gain_stands_there(tmp_path: Path) -> None:
    package = delivered(
        whole_drop(tmp_path / "drop", f"{SHEET}    gain_db: -3\n", peak_dbfs=-9.0), tmp_path / "out"
    )
    told = page_one(package)
    peak = re.search(r"Stems' sum peaks at ([+-][0-9.]+) dBFS", told)
    assert peak is not None
    assert float(peak[1]) == pytest.approx(delivered_sum_dbfs(package), abs=0.051)
    assert "Gain -3.00 dB on every file" in told
    assert "as ordered in the session sheet" in told


def test_a_finding_on_page_one_has_the_delivered_figure(tmp_path: Path) -> None:
    """What is left of a mix that does not add up goes down with the gain, by as many dB."""
    folder = whole_drop(tmp_path / "drop", f"{SHEET}    gain_db: -6\n")
    (folder / "Song_STEM Pad.wav").unlink()
    package = delivered(folder, tmp_path / "out")
    report = (package / "data/report/qc-report.txt").read_text(encoding="utf-8")
    found = [
        re.search(r"residual (-[0-9.]+) dBFS peak", " ".join(text.split()))
        for text in (report, page_one(package).split("Title to print")[0])
    ]
    dropped, travelling = (float(each[1]) for each in found if each is not None)
    assert travelling - dropped == pytest.approx(-6.0, abs=0.11)


def test_the_report_in_the_package_says_that_its_figures_are_of_the_drop(tmp_path: Path) -> None:
    package = delivered(
        whole_drop(tmp_path / "drop", f"{SHEET}    gain_db: -3\n"), tmp_path / "out"
    )
    for name in ("qc-report.txt", "qc-report.html"):
        told = " ".join((package / "data/report" / name).read_text(encoding="utf-8").split())
        assert "as dropped, before they were prepared" in told
        assert "The set, as dropped" in told
    plain = delivered(whole_drop(tmp_path / "plain"), tmp_path / "out2")
    told = (plain / "data/report/qc-report.txt").read_text(encoding="utf-8")
    assert "before they were prepared" not in told
