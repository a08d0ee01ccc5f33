"""One job in processes of its own: an answer, an error, or its own death, and nobody else's."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from stemprep.engine import JobDied, Limits
from stemprep.engine.alone import run_alone
from stemprep.errors import InputError, StemprepError
from tests.engine import jobs
from tests.engine.processes import is_alive, wait_until

pytestmark = pytest.mark.usefixtures("worker_processes")

ROOT = Path(__file__).parents[2]
LIMITS = Limits(memory_bytes=300 * 1024**2)


def test_an_answer_comes_back_whatever_is_printed_beside_it() -> None:
    assert run_alone(jobs.print_and_square, 7, LIMITS) == 49


def test_an_answer_may_be_nothing() -> None:
    assert run_alone(jobs.say_nothing, 7, LIMITS) is None


def test_an_error_arrives_as_it_was_raised() -> None:
    with pytest.raises(InputError, match="7: an error with a place in it"):
        run_alone(jobs.survive_pickling, 7, LIMITS)


def test_a_death_is_the_jobs_own() -> None:
    assert isinstance(run_alone(jobs.leave, jobs.BAD, LIMITS), JobDied)


def test_a_job_that_died_once_is_tried_again(tmp_path: Path) -> None:
    assert run_alone(jobs.die_once, str(tmp_path / "die"), LIMITS) == "die"


def test_limits_hold_there_too() -> None:
    assert run_alone(jobs.hog, jobs.BAD, LIMITS) == JobDied("needs more than 300 MB of memory")


def test_a_machine_that_cannot_run_it_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/true")
    with pytest.raises(StemprepError, match="look for a limit on processes"):
        run_alone(jobs.square, 7, LIMITS)


def test_it_ends_with_who_asked(tmp_path: Path) -> None:
    pid_file = tmp_path / "sleeper"
    code = (
        "from stemprep.engine import Limits\n"
        "from stemprep.engine.alone import run_alone\n"
        "from tests.engine import jobs\n"
        f"run_alone(jobs.sleep_long, {str(pid_file)!r}, Limits())\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], cwd=ROOT) as asker:
        wait_until(lambda: pid_file.exists() and bool(pid_file.read_text()))
        asker.send_signal(signal.SIGKILL)
    sleeper = int(pid_file.read_text())
    wait_until(lambda: not is_alive(sleeper))
