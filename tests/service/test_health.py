"""Whether the service could do its work, said from outside."""

from __future__ import annotations

import json
import os
import shutil
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result

from stemprep.cli.main import main
from stemprep.model.service import PLACE_FILE, Inbox, ServiceConfig
from stemprep.service.health import HEARTBEAT_FILE, SILENT_S, Health, Heartbeat, examine
from stemprep.service.jobs import Job, State
from stemprep.service.place_making import make_places
from stemprep.service.store import Store


@pytest.fixture
def config(tmp_path: Path) -> ServiceConfig:
    for name in ("in", "out", "state"):
        (tmp_path / name).mkdir()
    Heartbeat(tmp_path / "state").beat()
    inbox = Inbox(path=tmp_path / "in", specs=("base",), deliver_to=(tmp_path / "out",))
    config = ServiceConfig(state=tmp_path / "state", inboxes=(inbox,))
    with Store(tmp_path / "state") as store:
        assert [state.away for state in make_places(config, store, tmp_path)] == ["", ""]
    return config


def looked_at(config: ServiceConfig, later_s: float = 0.0) -> Health:
    return examine(config, time.time() + later_s)


def test_a_service_that_goes_round_is_well(config: ServiceConfig) -> None:
    health = looked_at(config)
    assert health.is_well
    assert health.notes == ()


def test_no_sign_of_life_is_told(config: ServiceConfig) -> None:
    assert "no sign of life" in looked_at(config, SILENT_S + 1).problems[0]
    Heartbeat(config.state).end()
    assert "start stemprep watch" in looked_at(config).problems[0]


def test_the_sign_is_given_every_few_seconds_only(tmp_path: Path) -> None:
    sign = Heartbeat(tmp_path)
    sign.beat()
    os.utime(tmp_path / HEARTBEAT_FILE, (0, 0))
    sign.beat()
    assert (tmp_path / HEARTBEAT_FILE).stat().st_mtime == 0


def test_a_missing_inbox_or_destination_is_told(config: ServiceConfig, tmp_path: Path) -> None:
    shutil.rmtree(tmp_path / "in")
    (tmp_path / "out" / PLACE_FILE).unlink()
    inbox, destination = looked_at(config).problems
    assert inbox == (
        f"inbox {tmp_path / 'in'} is away: it is not there; mount its share; jobs that need it wait"
    )
    assert destination.startswith(
        f"destination {tmp_path / 'out'} is away: another folder lies there, without the identity"
    )


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


def added(config: ServiceConfig, name: str, state: State, **fields: Any) -> None:
    """A job of a drop that lies in the inbox, in which something happened just now."""
    inbox = config.inboxes[0].path
    (inbox / name).mkdir(exist_ok=True)
    told = {"received_s": time.time(), "changed_s": time.time(), **fields}
    with Store(config.state) as store:
        store.add(
            Job(job=0, inbox=inbox, name=name, raw_name=name.encode(), spec="base", state=state,
                **told)
        )  # fmt: skip


def asked(config: ServiceConfig, *arguments: str) -> Result:
    file = config.state.parent / "service.yaml"
    file.write_text("state: state\ninboxes: [{path: in, spec: base, deliver_to: out}]\n")
    command = ["health", "--config", str(file), *arguments]
    return CliRunner().invoke(main, command, standalone_mode=False)


def test_where_all_was_set_aside_the_words_say_so_and_no_supervisor_starts_it_again(
    config: ServiceConfig,
) -> None:
    for name in ("a", "b", "c"):
        added(config, name, "set-aside", reason="the disk is full")
    told = asked(config)
    assert told.return_value == 0
    assert "is well" not in told.output
    assert "3 jobs set aside after repeated faults of the machine, among them all 3" in told.output
    assert "Of 3 in the last day 3 wait for a person (3 set aside)." in told.output
    found = json.loads(asked(config, "--json", "-").output)
    assert found["is_well"] is True
    assert found["last_day"] == {
        "jobs": 3, "set_aside": 3, "refused": 0, "held_back": 0, "wait_for_a_person": 3,
    }  # fmt: skip


def test_jobs_of_the_last_day_are_counted_by_how_they_stand(config: ServiceConfig) -> None:
    long_ago_s = time.time() - 2 * 86_400
    added(config, "delivered", "delivered")
    added(config, "aside", "set-aside")
    added(config, "long ago", "set-aside", changed_s=long_ago_s)
    added(config, "refused", "refused")
    added(config, "corrected", "refused")
    added(config, "corrected", "delivered")
    added(config, "removed", "refused")
    (config.inboxes[0].path / "removed").rmdir()
    added(config, "part", "arriving", reason="a transfer has not come to its end")
    added(config, "copying", "arriving")
    added(config, "left", "gone")
    day = looked_at(config).last_day
    assert (day.jobs, day.set_aside, day.refused, day.held_back) == (8, 1, 1, 1)
    assert day.waiting == 3
    assert "2 jobs set aside after repeated faults of the machine, 1 of" in asked(config).output


def test_where_nobody_has_to_look_it_is_well(config: ServiceConfig) -> None:
    added(config, "delivered", "delivered")
    assert asked(config).output == (
        "The service is well. Jobs: 1 delivered. Of 1 in the last day none waits for a person.\n"
    )


def test_a_drop_held_back_for_long_is_late(config: ServiceConfig) -> None:
    added(config, "part", "arriving", reason="a transfer has not come to its end",
          received_s=time.time() - 7300)  # fmt: skip
    added(config, "copying", "arriving", received_s=time.time() - 7300)
    health = looked_at(config)
    assert health.is_well
    assert "1 job waiting for more than 1 hour, the oldest for 2.0 hours" in health.notes[0]
    assert json.loads(asked(config, "--json", "-").output)["late"]["jobs"] == 1


UNREAD = "/in/{}: cannot be read (Permission denied); give it that right"


def test_drops_that_cannot_be_read_are_told_once_each_and_without_their_names(
    config: ServiceConfig,
) -> None:
    for name in ("Lantern", "Ferry", "Reel", "Tide", "Moss"):
        added(config, name, "arriving", reason=UNREAD.format(name), received_s=time.time() - 7300)
    added(config, "Inner", "refused", reason=UNREAD.format("Inner/Kick.wav"))
    added(config, "Opened", "refused", reason=UNREAD.format("Opened"))
    added(config, "Opened", "delivered")
    added(config, "Clipped", "refused", reason="export again with more headroom")
    health = looked_at(config)
    assert [job.name for job in health.unread] == [
        "Lantern", "Ferry", "Reel", "Tide", "Moss", "Inner",
    ]  # fmt: skip
    assert len(health.notes) == 4  # and none of them told as late as well
    assert health.notes[0] == (
        f"inbox {config.inboxes[0].path}, job 1: its drop cannot be read (Permission denied); "
        "give it that right; 'stemprep jobs show 1' tells the place"
    )
    assert "3 more drops cannot be read" in health.notes[3]
    output = asked(config).output
    assert not any(job.name in output for job in health.unread)


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
    shutil.rmtree(tmp_path / "out")
    ill = CliRunner().invoke(main, [*asked, "--json", "-"], standalone_mode=False)
    assert ill.return_value == 5
    assert json.loads(ill.output)["is_well"] is False
