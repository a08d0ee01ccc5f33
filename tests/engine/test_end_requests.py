"""A command that ends early ends its pool in order: no thread, no worker, no word of Python's."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from stemprep.engine import ProcessEngine
from stemprep.errors import DeliveryError
from tests.engine import jobs

pytestmark = pytest.mark.usefixtures("worker_processes")

ROOT = Path(__file__).parents[2]


class Asked(BaseException):
    """What the handler of these tests raises."""


@pytest.fixture(params=[signal.SIGTERM, signal.SIGINT])
def number(request: pytest.FixtureRequest) -> Iterator[signal.Signals]:
    """A signal whose handler raises ``Asked``."""

    def ask(*_: object) -> None:
        raise Asked

    before = signal.signal(request.param, ask)
    yield request.param
    assert signal.getsignal(request.param) is ask, "the handler of before was not put back"
    signal.signal(request.param, before)


@pytest.fixture(autouse=True)
def _nothing_is_left() -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    assert set(threading.enumerate()) <= before
    assert not multiprocessing.active_children()


def test_a_request_amid_the_work_ends_the_pool(number: signal.Signals) -> None:
    with pytest.raises(Asked):
        ProcessEngine(workers=2).run(jobs.send_signal, [(os.getpid(), number), *[(0, 0)] * 50])


def test_a_request_amid_a_report_is_obeyed_there(number: signal.Signals) -> None:
    """A terminal may keep a line of progress waiting for as long as it likes."""

    def report(index: int) -> None:
        signal.raise_signal(number)
        time.sleep(300)

    with pytest.raises(Asked):
        ProcessEngine(workers=2).run(jobs.square, range(50), report)


def _run(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=100,
    )  # fmt: skip


@pytest.mark.parametrize("moment", ["before", "after_in_parent", "after_in_child"])
def test_a_request_amid_a_fork_is_not_dropped(moment: str) -> None:
    """Python drops what comes up in a hook of a fork (os.register_at_fork).

    A worker that is asked before it is ready says nothing.
    """
    asked = "os.getppid()" if moment == "after_in_child" else "os.getpid()"
    code = (
        "import os, signal\n"
        "from stemprep.engine import ProcessEngine\n"
        "from tests.engine import jobs\n"
        "def leave(*_): raise SystemExit(9)\n"
        "def ask():\n"
        f"    os.kill({asked}, signal.SIGTERM)\n"
        "    os.kill(os.getpid(), signal.SIGINT)\n"
        "signal.signal(signal.SIGTERM, leave)\n"
        "signal.signal(signal.SIGINT, leave)\n"
        f"os.register_at_fork({moment}=ask)\n"
        "ProcessEngine(workers=2).run(jobs.square, range(20))\n"
        "print('nobody heard')\n"
    )
    done = _run(code)
    assert (done.returncode, done.stdout, done.stderr) == (9, "", "")


def _refuse(_: int) -> None:
    raise DeliveryError("the report breaks off")


@pytest.mark.parametrize(
    ("function", "report"),
    [(jobs.refuse, lambda _: None), (jobs.square, _refuse), (jobs.answer_at_length, _refuse)],
    ids=["job", "report", "amid answers"],
)
def test_an_error_ends_the_pool(
    function: Callable[[int], object], report: Callable[[int], None]
) -> None:
    """Its thread too: the exit handler would write into what that closes, 'Bad file descriptor'."""
    for _ in range(5):
        with pytest.raises(DeliveryError):
            ProcessEngine(workers=3).run(function, range(40), report)


def test_an_ignored_signal_stays_ignored() -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        assert ProcessEngine(workers=1).run(jobs.send_signal, [(os.getpid(), signal.SIGINT)]) == [
            None
        ]
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_system_that_refuses_the_second_process_is_told() -> None:
    """fork(2): EAGAIN where the limit on processes is reached; the first worker is ended too."""
    code = (
        "import errno, multiprocessing, os\n"
        "from stemprep.engine import ProcessEngine\n"
        "from stemprep.errors import StemprepError\n"
        "from tests.engine import jobs\n"
        "fork, started = os.fork, []\n"
        "def fork_once():\n"
        "    if started:\n"
        "        raise BlockingIOError(errno.EAGAIN, 'Resource temporarily unavailable')\n"
        "    started.append(fork())\n"
        "    return started[0]\n"
        "os.fork = fork_once\n"
        "try:\n"
        "    ProcessEngine(workers=2).run(jobs.square, range(3))\n"
        "except StemprepError as error:\n"
        "    print(error, multiprocessing.active_children())\n"
    )
    done = _run(code)
    assert "limit on processes" in done.stdout
    assert done.stdout.endswith(" []\n")
    assert done.stderr == ""
