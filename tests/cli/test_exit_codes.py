"""Every exit code of the contract, with the words that go with it."""

from __future__ import annotations

import errno
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from stemprep.cli import main as entry
from stemprep.engine import InlineEngine
from tests.cli.running import ROOT, here
from tests.end_to_end import drops
from tests.intake.drops import without_rights

Capture = pytest.CaptureFixture[str]


def test_0_meets_the_spec(take: Path, capsys: Capture) -> None:
    ran = here(capsys, "check", take)
    assert ran.code == 0
    assert ran.out.splitlines()[0].split() == ["Verdict", "pass"]
    assert ran.err == ""


def test_1_findings_of_severity_fail(tmp_path: Path, capsys: Capture) -> None:
    drop = drops.clipped_take(tmp_path / "drop")
    for command in (("check", drop), ("plan", drop), ("deliver", drop, "--to", tmp_path / "out")):
        ran = here(capsys, *command, "--spec", "mastering")
        assert ran.code == 1, command
        assert re.search("clipping|Clipped", ran.out)
    assert not list(tmp_path.glob("out/*"))


def test_1_a_zip_that_was_cut_is_reported(tmp_path: Path, capsys: Capture) -> None:
    """What arrived is told, and what to ask for: a report is more than an error to whoever sent."""
    drop = drops.one_take(tmp_path / "drop")
    whole = shutil.make_archive(str(tmp_path / "whole"), "zip", drop)
    cut = tmp_path / "cut.zip"
    cut.write_bytes(Path(whole).read_bytes()[:-60])
    ran = here(capsys, "check", cut, "--spec", "archive")
    assert ran.code == 1
    assert "1 file must be fixed first: 1 unreadable." in ran.out
    assert "unsafe" not in ran.out


@pytest.mark.parametrize(
    "arguments",
    [
        ("check",),
        ("check", "{take}", "--no-such-option"),
        ("no-such-command",),
        ("deliver", "{take}", "--spec", "archive"),
        ("check", "{take}", "--json", "{take}/report.json"),
        ("check", "{take}", "--html", "{take}/deeper/report.html"),
        ("check", "{take}", "--html", "-"),
        ("deliver", "{take}", "--spec", "archive", "--to", "{take}-out", "--html", "-"),
        ("plan", "{take}", "--spec", "archive", "--json", "{take}/plan.json"),
        ("deliver", "{take}", "--spec", "archive", "--to", "{take}"),
        ("deliver", "{take}", "--spec", "archive", "--to", "{take}/out"),
        ("explain", "clippping"),
        ("verify",),
    ],
    ids=" ".join,
)
def test_2_command_line(arguments: tuple[str, ...], take: Path, capsys: Capture) -> None:
    before = drops.state(take)
    ran = here(capsys, *(part.format(take=take) for part in arguments))
    assert ran.code == 2, ran.err
    assert ran.out == ""
    assert len(ran.err.splitlines()) <= 5
    assert drops.state(take) == before


def test_2_links_into_the_drop_do_not_deceive(take: Path, tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "innocent").symlink_to(take)
    ran = here(capsys, "deliver", take, "--spec", "archive", "--to", tmp_path / "innocent" / "out")
    assert ran.code == 2
    assert "inside the drop" in ran.err


def test_2_a_report_inside_a_package_is_refused(
    take: Path, tmp_path: Path, capsys: Capture
) -> None:
    """Verify writes nothing inside a package, also when asked to."""
    assert here(capsys, "deliver", take, "--spec", "archive", "--to", tmp_path).code == 0
    (package,) = tmp_path.iterdir()
    before = drops.state(package)
    ran = here(capsys, "verify", package, "--json", package / "data" / "proof.json")
    assert ran.code == 2
    assert drops.state(package) == before


def test_3_spec_is_missing(take: Path, capsys: Capture) -> None:
    for name in ("masterin", "nowhere/own.yaml"):
        ran = here(capsys, "check", take, "--spec", name)
        assert ran.code == 3
        assert name in ran.err
    assert "mastering" in here(capsys, "check", take, "--spec", "masterin").err


def test_3_spec_is_wrong_in_two_places(take: Path, tmp_path: Path, capsys: Capture) -> None:
    spec = tmp_path / "own.yaml"
    spec.write_text("extends: base\nchecks:\n  clipping: loud\n  clippings: warn\n")
    ran = here(capsys, "check", take, "--spec", spec)
    assert ran.code == 3
    first, second = ran.err.splitlines()
    assert first.startswith(f"{spec}:3:")
    assert second.startswith(f"{spec}:4:")


def test_3_sheet_is_wrong(tmp_path: Path, capsys: Capture) -> None:
    drop = drops.one_take(tmp_path / "drop")
    (drop / "session.yaml").write_text("artist: The Quillmoor Lantern Band\ntitel: Slow Ferry\n")
    ran = here(capsys, "check", drop)
    assert ran.code == 3
    assert ran.err.startswith("session.yaml:2:1: ")
    assert "title" in ran.err


def test_4_drop_is_missing_empty_or_without_audio(tmp_path: Path, capsys: Capture) -> None:
    empty, papers = tmp_path / "empty", tmp_path / "papers"
    empty.mkdir()
    papers.mkdir()
    (papers / "take notes.txt").write_text("Take 3 is the one.\n")
    for drop in (tmp_path / "nowhere", empty, papers):
        for command in (("check",), ("plan", "--spec", "archive")):
            ran = here(capsys, *command, drop)
            assert ran.code == 4
            assert drop.name in ran.err
            assert ran.out == ""


def test_4_drop_cannot_be_listed(tmp_path: Path, capsys: Capture) -> None:
    drop = drops.one_take(tmp_path / "drop")
    for folder in (tmp_path, *list(tmp_path.parents)[:2]):
        folder.chmod(0o755)
    here(capsys, "check", drop)  # loads what an account without rights may not read
    drop.chmod(0o000)
    try:
        with without_rights():
            if os.access(drop, os.R_OK, effective_ids=True):
                pytest.skip("this account may read everything")
            ran = here(capsys, "check", drop)
    finally:
        drop.chmod(0o755)
    assert ran.code == 4, ran.err
    assert "drop" in ran.err


def test_5_destination_is_a_file(take: Path, tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "out").write_text("a file")
    ran = here(capsys, "deliver", take, "--spec", "archive", "--to", tmp_path / "out")
    assert ran.code == 5
    assert "not a folder" in ran.err


def test_5_disk_is_full_while_audio_is_written(
    take: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """write(2): ENOSPC out of a worker; nothing half-made becomes visible."""

    def full(*_: object) -> str:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("stemprep.work.write._write", full)
    monkeypatch.setattr("stemprep.app.write_outputs.ProcessEngine", InlineEngine)
    ran = here(capsys, "deliver", take, "--spec", "archive", "--to", tmp_path / "out")
    assert ran.code == 5, ran.err
    assert "disk is full" in ran.err
    assert not list(tmp_path.glob("out/*"))


def test_5_disk_is_full_from_the_start(
    take: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """statvfs(3) tells that there is no room: nothing is begun."""
    real = os.statvfs

    def full(path: str | Path) -> os.statvfs_result:
        return os.statvfs_result((*real(path)[:3], 0, 0, *real(path)[5:10], 255))

    monkeypatch.setattr(os, "statvfs", full)
    ran = here(capsys, "deliver", take, "--spec", "archive", "--to", tmp_path / "out")
    assert ran.code == 5
    assert "free space" in ran.err
    assert not list(tmp_path.glob("out/*"))


def test_5_report_cannot_be_written(take: Path, tmp_path: Path, capsys: Capture) -> None:
    ran = here(capsys, "check", take, "--json", tmp_path / "nowhere" / "report.json")
    assert ran.code == 5
    assert "could not be written" in ran.err


def test_5_no_package_at_all(take: Path, tmp_path: Path, capsys: Capture) -> None:
    for place in (take, tmp_path / "nowhere"):
        ran = here(capsys, "verify", place)
        assert ran.code == 5
        assert place.name in ran.err + ran.out


def test_70_a_bug_is_told_as_ours(
    take: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def break_down(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("stemprep.app.check.inspect.inspect", break_down)
    ran = here(capsys, "check", take)
    assert ran.code == entry.EXIT_BUG == 70
    assert ran.out == ""
    assert "ZeroDivisionError: a bug" in ran.err
    assert ran.err.splitlines()[-1] == ("stemprep: this is a fault of stemprep, not of your files.")


def test_130_interrupted_ends_soon_and_leaves_nothing(tmp_path: Path) -> None:
    """Ctrl-C during a check: SIGINT goes to the whole foreground process group."""
    drop = tmp_path / "drop"
    first = drops.write_take(
        drop / "00.wav", drops.signals.noise(peak_dbfs=-20, seconds=60, channels=2)
    )
    for number in range(1, 12):
        os.link(first, drop / f"{number:02d}.wav")
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    with subprocess.Popen(
        [sys.executable, "-m", "stemprep", "check", str(drop)],
        env={**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(scratch)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        text=True,
    ) as run:
        _wait_for_workers(run)
        os.killpg(run.pid, signal.SIGINT)
        out, err = run.communicate(timeout=300)
    assert run.returncode == 130
    assert out == ""
    assert err.split("\n", 1)[-1] == "Interrupted; nothing half-made looks finished.\n"
    assert not list(scratch.iterdir())
    with pytest.raises(ProcessLookupError):
        os.killpg(run.pid, 0)


def _wait_for_workers(run: subprocess.Popen[str]) -> None:
    children = Path(f"/proc/{run.pid}/task/{run.pid}/children")
    while not children.read_text().split():
        assert run.poll() is None, "it ended without a worker"
        time.sleep(0.02)
    time.sleep(0.3)
