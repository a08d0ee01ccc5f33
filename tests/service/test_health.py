"""Whether the service could do its work, said from outside."""

from __future__ import annotations

import json
import os
import shutil
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from stemprep.cli.main import main
from stemprep.model.service import Inbox, ServiceConfig
from stemprep.service.health import SILENT_S, Health, examine
from stemprep.service.jobs import Job
from stemprep.service.sign_of_life import FILE, SignOfLife
from stemprep.service.store import Store


@pytest.fixture
def config(tmp_path: Path) -> ServiceConfig:
    for name in ("in", "out", "state"):
        (tmp_path / name).mkdir()
    Store(tmp_path / "state").close()
    SignOfLife(tmp_path / "state").give()
    inbox = Inbox(path=tmp_path / "in", specs=("base",), deliver_to=(tmp_path / "out",))
    return ServiceConfig(state=tmp_path / "state", inboxes=(inbox,))


def looked_at(config: ServiceConfig, later_s: float = 0.0) -> Health:
    return examine(config, time.time() + later_s)


def test_a_service_that_goes_round_is_well(config: ServiceConfig) -> None:
    health = looked_at(config)
    assert health.is_well
    assert health.notes == ()


def test_no_sign_of_life_is_told(config: ServiceConfig) -> None:
    assert "no sign of life" in looked_at(config, SILENT_S + 1).problems[0]
    SignOfLife(config.state).end()
    assert "start stemprep watch" in looked_at(config).problems[0]


def test_the_sign_is_given_every_few_seconds_only(tmp_path: Path) -> None:
    sign = SignOfLife(tmp_path)
    sign.give()
    os.utime(tmp_path / FILE, (0, 0))
    sign.give()
    assert (tmp_path / FILE).stat().st_mtime == 0


def test_a_missing_inbox_or_destination_is_told(config: ServiceConfig, tmp_path: Path) -> None:
    (tmp_path / "in").rmdir()
    (tmp_path / "out").rmdir()
    told = "\n".join(looked_at(config).problems)
    assert f"inbox {tmp_path / 'in'}: cannot be listed" in told
    assert f"destination {tmp_path / 'out'}: is not there" in told


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_destination_that_cannot_be_written_is_told(
    config: ServiceConfig, tmp_path: Path
) -> None:
    (tmp_path / "out").chmod(0o500)
    assert "cannot be written to" in looked_at(config).problems[0]


def test_a_full_disk_is_told(config: ServiceConfig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=12_000_000))
    assert "12.0 MB free" in looked_at(config).problems[0]


def test_a_missing_store_is_told(config: ServiceConfig) -> None:
    for file in config.state.glob("jobs*"):
        file.unlink()
    assert "there is no job store" in looked_at(config).problems[0]


def test_jobs_set_aside_and_long_waits_are_notes(config: ServiceConfig, tmp_path: Path) -> None:
    with Store(config.state) as store:
        for state in ("set-aside", "waiting"):
            store.add(
                Job(job=0, inbox=tmp_path, name="a", raw_name=b"a", spec="base", state=state,
                    received_s=time.time() - 7300)
            )  # fmt: skip
    health = looked_at(config)
    assert health.is_well
    assert "1 job set aside" in health.notes[0]
    assert "2.0 hours" in health.notes[1]


def test_the_command_tells_in_words_json_and_exit_code(
    config: ServiceConfig, tmp_path: Path
) -> None:
    file = tmp_path / "service.yaml"
    file.write_text("state: state\ninboxes: [{path: in, spec: base, deliver_to: out}]\n")
    asked = ["health", "--config", str(file)]
    well = CliRunner().invoke(main, asked, standalone_mode=False)
    assert (well.return_value, well.output) == (0, "The service is well. No jobs yet.\n")
    quiet = CliRunner().invoke(main, [*asked, "--quiet"], standalone_mode=False)
    assert quiet.output == ""
    (tmp_path / "out").rmdir()
    ill = CliRunner().invoke(main, [*asked, "--json", "-"], standalone_mode=False)
    assert ill.return_value == 5
    assert json.loads(ill.output)["is_well"] is False
