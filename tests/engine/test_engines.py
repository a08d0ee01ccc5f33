"""The engines: order, equality, and every way in which a worker can die."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

from stemprep.engine import InlineEngine, JobDied, Limits, ProcessEngine, available_cores, run
from stemprep.errors import DeliveryError, InputError, StemprepError
from tests.engine import jobs
from tests.engine.processes import is_alive, wait_until

pytestmark = pytest.mark.usefixtures("worker_processes")

ROOT = Path(__file__).parents[2]
SQUARES = [number * number for number in range(6)]


def test_results_stand_in_the_order_of_the_jobs() -> None:
    engine = ProcessEngine(workers=3)
    assert engine.run(jobs.later_first, range(6)) == SQUARES


def test_progress_names_every_job_once() -> None:
    done: list[int] = []
    ProcessEngine(workers=2).run(jobs.square, range(6), done.append)
    assert sorted(done) == list(range(6))


def test_inline_engine_equals_process_engine() -> None:
    assert InlineEngine().run(jobs.square, range(6)) == ProcessEngine().run(jobs.square, range(6))


@pytest.mark.parametrize("engine", [InlineEngine(), ProcessEngine()], ids=["inline", "processes"])
def test_no_jobs_give_no_results(engine: InlineEngine | ProcessEngine) -> None:
    assert engine.run(jobs.square, []) == []


@pytest.mark.parametrize(
    ("function", "limits"),
    [
        (jobs.leave, Limits()),
        (jobs.crash, Limits()),
        (jobs.hang, Limits(deadline_s=0.5)),
        (jobs.hog, Limits(memory_bytes=300 * 1024**2)),
    ],
    ids=["left", "crashed", "hung", "memory"],
)
@pytest.mark.parametrize("workers", [1, 3])
def test_one_job_dies_and_all_others_are_done(
    function: Callable[[int], int], limits: Limits, workers: int
) -> None:
    done: list[int] = []
    results = ProcessEngine(workers=workers, limits=limits).run(function, range(6), done.append)
    died = results.pop(jobs.BAD)
    assert isinstance(died, JobDied)
    assert died.reason
    assert results == [number for number in SQUARES if number != jobs.BAD**2]
    assert sorted(done) == list(range(6))


def test_memory_is_named_as_the_reason() -> None:
    limits = Limits(memory_bytes=300 * 1024**2)
    results = ProcessEngine(workers=1, limits=limits).run(jobs.hog, [jobs.BAD])
    assert results == [JobDied("needs more than 300 MB of memory")]


def test_a_job_that_died_once_is_run_again_alone(tmp_path: Path) -> None:
    markers = [str(tmp_path / name) for name in ("a", "die-1", "b", "die-2", "c")]
    results = ProcessEngine(workers=2).run(jobs.die_once, markers)
    assert results == ["a", "die-1", "b", "die-2", "c"]


def test_many_jobs_die_and_the_run_comes_to_an_end(tmp_path: Path) -> None:
    results = ProcessEngine(workers=2).run(jobs.leave, [jobs.BAD] * 5 + [3])
    assert [type(result) for result in results] == [JobDied] * 5 + [int]


def test_an_error_of_a_job_is_raised_at_once() -> None:
    with pytest.raises(DeliveryError, match="job 2 was refused"):
        ProcessEngine(workers=2).run(jobs.refuse, range(4000))


def test_errors_come_out_of_a_worker_as_they_were() -> None:
    with pytest.raises(InputError, match="7: an error with a place in it"):
        ProcessEngine(workers=1).run(jobs.survive_pickling, [7])


def test_an_interruption_does_not_wait_for_the_other_jobs() -> None:
    begun = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        ProcessEngine(workers=3).run(jobs.interrupt_waiter, range(4))
    assert time.monotonic() - begun < 60, "jobs of 300 s were waited for"


def test_workers_that_cannot_start_are_our_fault_and_no_files(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Every worker dies before its first job: no job may be blamed for that."""
    monkeypatch.setattr(run, "prepare_worker", jobs.refuse_to_start)
    with pytest.raises(StemprepError, match="cannot be started"):
        ProcessEngine(workers=2).run(jobs.square, range(3))


def test_a_system_that_refuses_processes_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """fork(2): EAGAIN where the limit on processes is reached."""

    def refuse(*_: object) -> None:
        raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")

    monkeypatch.setattr(ProcessPoolExecutor, "submit", refuse)
    with pytest.raises(StemprepError, match="limit on processes"):
        ProcessEngine(workers=2).run(jobs.square, range(3))


def test_locks_that_cannot_be_made_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A user that may not run the interpreter: the process that tidies up locks is gone, EPIPE."""

    def refuse(*_: object, **__: object) -> None:
        raise BrokenPipeError(errno.EPIPE, "Broken pipe")

    monkeypatch.setattr(ProcessPoolExecutor, "__init__", refuse)
    with pytest.raises(StemprepError, match=f"may run {sys.executable}"):
        ProcessEngine(workers=2).run(jobs.square, range(3))


def test_cores_are_those_this_process_may_use() -> None:
    every = os.sched_getaffinity(0)
    try:
        os.sched_setaffinity(0, {min(every)})
        assert available_cores() == 1
        assert ProcessEngine().workers == 1
    finally:
        os.sched_setaffinity(0, every)


def test_workers_end_with_a_killed_parent(tmp_path: Path) -> None:
    """SIGKILL leaves the parent no time to tidy up: the workers must notice by themselves."""
    pid_files = [tmp_path / name for name in ("one", "two")]
    code = (
        "from stemprep.engine import ProcessEngine\n"
        "from tests.engine import jobs\n"
        f"ProcessEngine(workers=2).run(jobs.sleep_long, {[str(path) for path in pid_files]})"
    )
    with subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stderr=subprocess.DEVNULL) as run:
        wait_until(lambda: all(path.exists() and path.read_text() for path in pid_files))
        workers = [int(path.read_text()) for path in pid_files]
        assert all(map(is_alive, workers))
        run.kill()
    wait_until(lambda: not any(map(is_alive, workers)))


def test_workers_start_beside_threads_wherever_temporary_files_go(tmp_path: Path) -> None:
    """A fork server's socket has a path of 107 bytes at most (unix(7)); folders may be longer."""
    long = tmp_path / ("x" * 100)
    long.mkdir()
    code = (
        "import threading\n"
        "from stemprep.engine import ProcessEngine\n"
        "from tests.engine import jobs\n"
        "if __name__ == '__main__':\n"
        "    gate = threading.Event()\n"
        "    threading.Thread(target=gate.wait, daemon=True).start()\n"
        "    print(ProcessEngine(workers=2).run(jobs.square, [1, 2, 3, 4]))\n"
    )
    script = tmp_path / "run.py"
    script.write_text(code)
    done = subprocess.run(
        [sys.executable, script], capture_output=True, text=True, check=False, timeout=300,
        env={**os.environ, "TMPDIR": str(long), "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.stdout == "[1, 4, 9, 16]\n", done.stderr


def test_free_memory_in_the_middle_goes_back_to_the_system() -> None:
    """Arrays of 64 kB lie in the heap below the last one, which malloc alone cannot shrink past."""
    code = (
        "from pathlib import Path\n"
        "import numpy as np\n"
        "from stemprep.engine import give_back_memory\n"
        "def resident():\n"
        "    return int(Path('/proc/self/statm').read_text().split()[1]) * 4096\n"
        "arrays = [np.ones(8192) for _ in range(1000)]\n"
        "last = arrays.pop()\n"
        "full = resident()\n"
        "del arrays\n"
        "give_back_memory()\n"
        "print(full - resident() > 30e6)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.stdout == "True\n", done.stderr
