"""The demo as a stranger runs it: its story told, every planted fault found, the package proved."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import bagit
import numpy as np
import pytest
import soundfile

from stemprep.app.check.inspect import inspect
from stemprep.app.demo import missed_faults
from stemprep.app.demo_folders import write_return
from stemprep.app.packages.verify import verify
from stemprep.demo import FAULTS, demo_files, song
from stemprep.demo.overdubs import RETURN_FAULTS, new_takes
from stemprep.errors import DeliveryError
from tests.cli.running import apart, here

DEFAULT_PLACE = "stemprep-demo"


def test_its_story_runs_as_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One run, for it takes seconds: told, found, and accepted by bagit, RFC 8493's reference."""
    into = tmp_path / "new" / "folder"
    ran = apart("demo", "--into", into)
    assert (ran.code, ran.err) == (0, "")
    (package,) = (into / "delivered").iterdir()
    words = " ".join((into / "story.txt").read_text().split())
    assert all(fault.story in words for fault in (*FAULTS, *RETURN_FAULTS))
    assert str(package) in ran.out
    assert (into / "check-report.html").read_text().startswith("<!DOCTYPE html>")
    assert (into / "plan.txt").read_text().count("padded with silence") == 12
    _assert_it_fits_a_screen(ran.out.replace(str(into), DEFAULT_PLACE))
    _assert_faults_are_found_and_nothing_else_is_loud(into / "Slow Ferry Home")
    _assert_the_return_is_told(words, into)
    (proof,) = verify([package])
    assert proof.is_whole
    assert proof.is_complete
    assert bagit.Bag(str(package)).is_valid()
    before = sorted(into.rglob("*"))
    again = here(capsys, "demo", "--into", into)
    assert again.code == 5
    assert "--into" in again.err
    assert sorted(into.rglob("*")) == before, "a folder in use is left alone"


def _assert_it_fits_a_screen(out: str) -> None:
    """80 columns, where the reader left --into as it is; the end tells what to open and to try."""
    lines = out.splitlines()
    assert len(lines) <= 26  # planted, found, delivered, what came back; the rest is in files
    assert [line for line in lines if len(line) > 80] == []
    end = lines[-4:]
    assert f"  {DEFAULT_PLACE}/check-report.html" in end
    assert f"  {DEFAULT_PLACE}/story.txt" in end
    assert 'python -m stemprep check "My Session"' in end[-1]


def _assert_faults_are_found_and_nothing_else_is_loud(session: Path) -> None:
    report = inspect(session, "overdub")
    assert missed_faults(report.findings) == ()
    planted = {(fault.check, fault.path) for fault in FAULTS}
    loud = {
        (finding.check, path)
        for finding in report.findings
        if finding.severity != "note"
        for path in finding.files
    }
    assert loud <= planted


def _assert_the_return_is_told(words: str, into: Path) -> None:
    """What was done to the files, read from the files by libsndfile, stands on screen and page.

    The package begins one bar before bar 1, so bar 3 begins three bars after it.
    """
    page = " ".join((into / "reconcile.html").read_text().split())
    bar_3 = round(3 * song.BEATS_A_BAR * 60 / song.TEMPO_BPM * 48_000)
    for told in (
        "9 of 12 originals the same in sound, 1 changed, 2 not back; 2 new files",
        "BD inside.wav (sent as 01 Kick In.wav)",
        "1.50 dB lower",
        "960 samples (20.00 ms) late",
        f"starts at 0:07.826 of the session (sample {bar_3:,})",
    ):
        assert told in words, told
        assert told in page, told
    assert "taken to begin with the session" not in words
    (package,) = (into / "delivered").iterdir()
    sent = _sound_by_name(package / "data" / "tracks")
    back = _sound_by_name(into / "returned")
    assert sent.keys() - back.keys() == {"01 Kick In.wav", "11 Floor Tom.wav"}
    assert back.keys() - sent.keys() == {
        "BD inside.wav",
        "12 Harmony Voice.wav",
        "13 Mandolin.wav",
    }
    assert (back["BD inside.wav"] == sent["01 Kick In.wav"]).all()
    ratio = np.std(back["08 Guitar.wav"]) / np.std(sent["08 Guitar.wav"])
    assert 20 * np.log10(ratio) == pytest.approx(-1.5, abs=0.001)


def _sound_by_name(folder: Path) -> Mapping[str, np.ndarray]:
    return {path.name: soundfile.read(path)[0] for path in folder.iterdir()}


def test_its_sound_is_the_same_on_every_run_and_within_full_scale() -> None:
    first, second = next(demo_files()), next(demo_files())
    assert first.path == second.path
    assert (first.samples == second.samples).all()
    assert abs(first.samples).max() <= 1.0


def test_new_takes_are_the_same_on_every_run_and_within_full_scale() -> None:
    before_samples = 77_217
    mix = 0.5 * np.ones(before_samples + song.length_samples(48_000))
    for first, second in zip(
        new_takes(mix, before_samples), new_takes(mix, before_samples), strict=True
    ):
        assert (first.samples == second.samples).all()
        assert 0.1 < abs(first.samples).max() <= 1.0


def test_what_was_planted_and_not_found_is_missed() -> None:
    assert missed_faults((), RETURN_FAULTS) == RETURN_FAULTS


def test_a_return_that_cannot_be_written_says_where_and_why(tmp_path: Path) -> None:
    (tmp_path / "returned").write_text("somebody's file")
    with pytest.raises(DeliveryError, match="could not be written: File exists; name a folder"):
        write_return(tmp_path, tmp_path / "package")
    assert (tmp_path / "returned").read_text() == "somebody's file"
