"""The demo as a stranger runs it: its story told, every planted fault found, the package proved."""

from __future__ import annotations

from pathlib import Path

import bagit
import pytest

from stemprep.app.demo import missed_faults
from stemprep.app.inspect import inspect
from stemprep.app.verify import verify
from stemprep.demo import FAULTS, demo_files
from tests.cli.running import apart, here


def test_its_story_runs_as_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One run, for it takes seconds: told, found, and accepted by bagit, RFC 8493's reference."""
    into = tmp_path / "new" / "folder"
    ran = apart("demo", "--into", into)
    assert (ran.code, ran.err) == (0, "")
    (package,) = (into / "delivered").iterdir()
    assert all(fault.story in " ".join(ran.out.split()) for fault in FAULTS)
    assert str(package) in ran.out
    assert (into / "check-report.html").read_text().startswith("<!DOCTYPE html>")
    _assert_faults_are_found_and_nothing_else_is_loud(into / "Slow Ferry Home")
    (proof,) = verify([package])
    assert proof.is_whole
    assert proof.is_complete
    assert bagit.Bag(str(package)).is_valid()
    before = sorted(into.rglob("*"))
    again = here(capsys, "demo", "--into", into)
    assert again.code == 5
    assert "--into" in again.err
    assert sorted(into.rglob("*")) == before, "a folder in use is left alone"


def _assert_faults_are_found_and_nothing_else_is_loud(session: Path) -> None:
    report = inspect(session, "overdub")
    assert missed_faults(report) == ()
    planted = {(fault.check, fault.path) for fault in FAULTS}
    loud = {
        (finding.check, path)
        for finding in report.findings
        if finding.severity != "note"
        for path in finding.files
    }
    assert loud <= planted


def test_its_sound_is_the_same_on_every_run_and_within_full_scale() -> None:
    first, second = next(demo_files()), next(demo_files())
    assert first.path == second.path
    assert (first.samples == second.samples).all()
    assert abs(first.samples).max() <= 1.0
