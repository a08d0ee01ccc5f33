"""One job in processes of its own, on whatever machine this is called: who died is then certain.

The end of a cluster's worker says nothing of the jobs that it had: any of them, or another user's,
may have ended it. Here a process is started that runs one job as ``ProcessEngine`` does, tried
twice, and answers for it.
Run as ``python -m stemprep.engine.alone`` it takes the job from standard input.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import BinaryIO, TypeVar

from stemprep.engine.isolation import JobDied, Limits
from stemprep.engine.run import ProcessEngine
from stemprep.errors import StemprepError

Job = TypeVar("Job")
Result = TypeVar("Result")


def run_alone(function: Callable[[Job], Result], job: Job, limits: Limits) -> Result | JobDied:
    """Run one job in processes of its own; JobDied where it has died twice.

    Raises what the job raised, and StemprepError where this machine cannot run it at all.
    """
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    with subprocess.Popen(
        [sys.executable, "-m", "stemprep.engine.alone"],
        env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdin.write(pickle.dumps((function, job, limits)))
            process.stdin.flush()  # left open: where it closes, nobody waits any more
            result, error = pickle.load(process.stdout)  # noqa: S301 - our own process
        except (OSError, EOFError, pickle.UnpicklingError) as broken:
            process.kill()
            with suppress(OSError):
                process.stdin.close()  # what was not taken is of no use any more
            raise StemprepError(
                "a process for one job alone came to an end before its job; free memory on the "
                "workers' machines, and look for a limit on processes there"
            ) from broken
    if error is not None:
        raise error
    answer: Result | JobDied = result
    return answer


def main() -> None:
    """Take one job from standard input, and answer for it on standard output."""
    answers = _answers_apart()
    function, job, limits = pickle.load(sys.stdin.buffer)  # noqa: S301 - from ``run_alone``
    threading.Thread(target=_end_with_asker, daemon=True).start()
    try:
        results, error = ProcessEngine(workers=1, limits=limits).run(function, [job]), None
    except Exception as raised:  # handed over, and raised there
        results, error = [None], raised
    pickle.dump((results[0], error), answers)
    answers.flush()


def _answers_apart() -> BinaryIO:
    """Standard output for the answer alone: what else is printed goes the way of errors."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    return answers


def _end_with_asker() -> None:
    """End when who asked has ended: the workers here notice and end too."""
    sys.stdin.buffer.read()
    os._exit(1)


if __name__ == "__main__":
    main()
