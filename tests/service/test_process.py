"""The service as a process of its own: watched from outside, ended, started again."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from stemprep.errors import InputError
from stemprep.service import watch
from tests.service.studio import Studio

STOP_WITHIN_S = 3.0
CONFIG = f"""\
state: state
inboxes:
  - {{path: in, spec: mastering, deliver_to: out, settle_s: 0.2}}
limits: {{jobs_at_once: 2}}
rescan_s: 2
stop_within_s: {STOP_WITHIN_S:.0f}
log_format: json
"""


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    (tmp_path / "service.yaml").write_text(CONFIG)
    return Studio.built(tmp_path)


def stemprep(studio: Studio, *arguments: str) -> subprocess.CompletedProcess[str]:
    command, *rest = arguments
    return subprocess.run(
        [sys.executable, "-m", "stemprep", command, "--config", "service.yaml", *rest],
        cwd=studio.root, text=True, capture_output=True, timeout=300, check=False,
    )  # fmt: skip


@contextmanager
def started(studio: Studio) -> Iterator[subprocess.Popen[str]]:
    """Run the service; what still runs in the end is killed."""
    with subprocess.Popen(
        [sys.executable, "-m", "stemprep", "watch", "--config", "service.yaml"],
        cwd=studio.root, text=True, stderr=subprocess.PIPE,
    ) as service:  # fmt: skip
        try:
            yield service
        finally:
            service.kill()


def wait_until_it_watches(service: subprocess.Popen[str]) -> None:
    """Read its log until it holds the state folder: before, another could take it."""
    assert service.stderr is not None
    for line in service.stderr:
        if json.loads(line)["event"] == "watching":
            return
    raise AssertionError("it ended before it watched anything")


def states(studio: Studio) -> list[str]:
    """States of all jobs, read while the service runs."""
    try:
        return [job.state for job in studio.jobs()]
    except InputError:
        return []  # no store yet


def told(studio: Studio, *arguments: str) -> dict[str, Any]:
    """What ``jobs --json`` says meanwhile."""
    done = stemprep(studio, "jobs", *arguments, "--json")
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert isinstance(answer, dict)
    return answer


def wait_until(is_so: Callable[[], bool], within_s: float = 150.0) -> None:
    deadline_s = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < deadline_s, "it did not come to that in time"
        time.sleep(0.05)


def test_ended_in_the_middle_and_started_again(studio: Studio) -> None:
    for number in range(20):
        studio.drop(f"Reel {number}", seed=number)
    with started(studio) as service:
        wait_until(lambda: "delivered" in states(studio))
        assert {job["state"] for job in told(studio)["jobs"]} >= {"delivered"}
        begun_s = time.monotonic()
        service.send_signal(signal.SIGTERM)
        _, log = service.communicate(timeout=150)
    assert service.returncode == 0, log
    busy_machine_s = 15.0
    assert time.monotonic() - begun_s < STOP_WITHIN_S + watch.HARD_END_S + busy_machine_s
    assert "running" not in states(studio)
    studio.require_only_whole_packages()

    with started(studio) as service:
        wait_until_it_watches(service)
        wait_until(lambda: states(studio) == ["delivered"] * 20)
        second = stemprep(studio, "watch")
        assert second.returncode == 2
        assert "works with this state folder already" in second.stderr
        service.send_signal(signal.SIGINT)
        _, log = service.communicate(timeout=150)
    assert service.returncode == 0, log
    assert all(json.loads(line)["event"] for line in log.splitlines())
    assert len(studio.packages()) == 20
    studio.require_only_whole_packages()
    assert not studio.staging()


def test_killed_with_its_workers_and_started_again(studio: Studio) -> None:
    """Drops large enough for worker processes, which end with the service."""
    for number in range(2):
        studio.drop(f"Reel {number}", seconds=11.0, seed=number)
    with started(studio) as service:
        wait_until(lambda: "running" in states(studio))
        service.kill()
    studio.require_only_whole_packages()
    assert stemprep(studio, "watch", "--once").returncode == 0
    assert studio.packages() == ["Reel-0_mastering_01", "Reel-1_mastering_01"]
    studio.require_only_whole_packages()
    assert not studio.staging()


def test_a_person_steps_in_while_the_service_runs(studio: Studio) -> None:
    drop = studio.drop("Ferry")
    whole = (drop / "Kick.wav").read_bytes()
    (drop / "Kick.wav").write_bytes(whole[:1000])
    with started(studio):
        wait_until(lambda: states(studio) == ["refused"])
        assert "truncated" in stemprep(studio, "jobs", "show", "1").stdout
        assert stemprep(studio, "jobs", "retry", "1").returncode == 0
        wait_until(lambda: states(studio) == ["refused"])
        history = told(studio, "show", "1")["history"]
        assert [step["state"] for step in history][-3:] == ["waiting", "running", "refused"]
        assert stemprep(studio, "jobs", "drop", "1").returncode == 0
        assert states(studio) == ["given-up"]
        (drop / "Kick.wav").write_bytes(whole)
        wait_until(lambda: states(studio) == ["given-up", "delivered"])


def test_the_config_may_stand_before_or_after_the_command(studio: Studio) -> None:
    studio.drop("Reel")
    stemprep(studio, "watch", "--once")
    config = studio.root / "service.yaml"
    elsewhere = config.rename(studio.root / "other.yaml")
    for arguments in (
        ["--config", "other.yaml", "show", "1"],
        ["show", "1", "--config", "other.yaml"],
    ):
        done = stemprep(studio, "jobs", *arguments)
        assert (done.returncode, done.stdout[:13]) == (0, "Job         1"), done.stderr
    elsewhere.rename(config)


def test_no_names_in_the_log(studio: Studio) -> None:
    """Unreleased work: what was dropped is told where the config allows it, and nowhere else."""
    studio.drop("Slow Ferry Home")
    done = stemprep(studio, "watch", "--once")
    assert done.returncode == 0
    assert "delivered" in done.stderr
    assert "Ferry" not in done.stderr
    assert "Kick" not in done.stderr


@pytest.mark.parametrize("arguments", [["--help"], ["jobs", "--config", "service.yaml"]])
def test_light_commands_load_nothing_heavy(studio: Studio, arguments: list[str]) -> None:
    stemprep(studio, "watch", "--once")
    code = (
        "import sys; from stemprep.cli.main import run\n"
        "try:\n    run(sys.argv[1:])\nfinally:\n"
        "    found = {'numpy', 'scipy', 'soundfile', 'jinja2', 'apprise'} & set(sys.modules)\n"
        "    print('heavy:', sorted(found), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=studio.root, text=True, capture_output=True, timeout=60, check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "heavy: []" in done.stderr


def test_a_config_that_does_not_hold(studio: Studio) -> None:
    (studio.root / "service.yaml").write_text("state: in/state\ninboxes: []\nx: 1\n")
    done = stemprep(studio, "watch", "--once")
    assert done.returncode == 3
    assert "service.yaml:3:1: x" in done.stderr
