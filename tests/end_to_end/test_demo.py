"""The demo as a stranger runs it: its story told, every planted fault found, the package proved."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import bagit
import pytest

from stemprep.app.demo import missed_faults
from stemprep.app.inspect import inspect
from stemprep.app.verify import verify
from stemprep.demo import FAULTS, demo_files
from tests.cli.running import Ran, apart, here


@dataclass(frozen=True)
class Demo:
    ran: Ran
    into: Path

    @property
    def session(self) -> Path:
        return self.into / "Slow Ferry Home"

    @property
    def package(self) -> Path:
        (package,) = (self.into / "delivered").iterdir()
        return package


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    into = tmp_path_factory.mktemp("demo") / "new" / "folder"
    return Demo(apart("demo", "--into", into), into)


@pytest.mark.xdist_group("demo")
def test_its_story_runs_as_told(demo: Demo) -> None:
    assert demo.ran.code == 0, demo.ran.err
    assert demo.ran.err == ""
    for fault in FAULTS:
        assert fault.story in demo.ran.out
    assert str(demo.package) in demo.ran.out
    assert (demo.into / "check-report.html").read_text().startswith("<!DOCTYPE html>")


@pytest.mark.xdist_group("demo")
def test_every_planted_fault_is_found_and_nothing_else_is_loud(demo: Demo) -> None:
    report = inspect(demo.session, "overdub")
    assert missed_faults(report) == ()
    planted = {(fault.check, fault.path) for fault in FAULTS}
    loud = {
        (finding.check, path)
        for finding in report.findings
        if finding.severity != "note"
        for path in finding.files
    }
    assert loud <= planted


@pytest.mark.xdist_group("demo")
def test_verify_and_the_reference_validator_accept_the_package(demo: Demo) -> None:
    """RFC 8493 by its reference implementation, bagit."""
    (proof,) = verify([demo.package])
    assert proof.is_whole
    assert proof.is_complete
    assert bagit.Bag(str(demo.package)).is_valid()


@pytest.mark.xdist_group("demo")
def test_a_folder_in_use_is_left_alone(demo: Demo, capsys: pytest.CaptureFixture[str]) -> None:
    before = sorted(demo.into.rglob("*"))
    again = here(capsys, "demo", "--into", demo.into)
    assert again.code == 5
    assert "--into" in again.err
    assert sorted(demo.into.rglob("*")) == before


@pytest.mark.xdist_group("demo")
def test_its_sound_is_the_same_on_every_run_and_within_full_scale() -> None:
    once, again = demo_files(), demo_files()
    for _ in range(2):
        first, second = next(once), next(again)
        assert first.path == second.path
        assert (first.samples == second.samples).all()
        assert abs(first.samples).max() <= 1.0
