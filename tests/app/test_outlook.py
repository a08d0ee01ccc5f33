"""What a check says of a delivery: what it would cure, and what would stop it."""

from __future__ import annotations

from pathlib import Path

import pytest

from stemprep.app.check.inspect import inspect
from stemprep.app.delivery.deliver import plan
from stemprep.report import render_text, report_json
from tests import signals
from tests.end_to_end import drops


def tone(rate_hz: int, peak_dbfs: float = -9.0) -> signals.Planar:
    return drops.note(peak_dbfs=peak_dbfs, seconds=1.0, rate_hz=rate_hz)


@pytest.fixture
def odd_rate(tmp_path: Path) -> Path:
    """Two takes of one session and one of another."""
    drop = tmp_path / "drop"
    for name, rate_hz in (("01 Gtr.wav", 48_000), ("02 Bass.wav", 48_000), ("03 Keys.wav", 44_100)):
        drops.write_take(drop / name, tone(rate_hz), rate_hz=rate_hz)
    return drop


def test_a_check_tells_what_the_delivery_converts(odd_rate: Path) -> None:
    report = inspect(odd_rate, "overdub")
    (cured,) = (finding for finding in report.cured if finding.check == "mixed-formats")
    assert cured.files == ("03 Keys.wav",)
    text = render_text(report)
    assert "Deliver cures this in its copy: converted to another sample rate." in text
    assert "Export the odd file again" not in text


def test_where_the_spec_converts_nothing_the_advice_stays(odd_rate: Path) -> None:
    report = inspect(odd_rate, "mastering")
    assert not any(finding.check == "mixed-formats" for finding in report.cured)
    assert "Export the odd file again" in render_text(report)


def test_what_blocks_the_plan_is_known_to_the_check(tmp_path: Path) -> None:
    """A float file over full scale stands as it is; 24 bits would clip it."""
    drops.write_take(tmp_path / "drop/01 Gtr.wav", tone(48_000))
    drops.write_take(tmp_path / "drop/02 Bass.wav", tone(48_000, peak_dbfs=-10))
    hot = tone(48_000, peak_dbfs=7.2)
    drops.write_take(tmp_path / "drop/03 Keys.wav", hot, bits=32, encoding="float")
    report = inspect(tmp_path / "drop", "overdub")
    assert report.passed
    assert not plan(tmp_path / "drop", "overdub").passed
    assert [blocker.file for blocker in report.blockers] == ["03 Keys.wav"]
    assert not any("03 Keys.wav" in finding.files for finding in report.cured)
    _, to_do, *_ = render_text(report).splitlines()
    assert "a delivery would stop" in to_do
    told = report_json(report)
    assert not {"cured", "blockers"} & told.keys()


def test_a_name_that_stays_at_home_meets_no_other(tmp_path: Path) -> None:
    """Two names that fall together once converted: the one that is unused does not travel."""
    drop = tmp_path / "drop"
    drops.write_take(drop / "Keys.wav", tone(48_000))
    drops.write_take(drop / "Keys.wave", tone(48_000, peak_dbfs=-10))
    (drop / "session.yaml").write_text("tracks:\n  - {file: Keys.wave, use: unused}\n")
    report = plan(drop, "mastering")
    assert report.plan is not None
    assert [output.path for output in report.plan.outputs] == ["tracks/Keys.wav"]
    assert report.passed
