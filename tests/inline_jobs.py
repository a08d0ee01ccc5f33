"""The jobs of ``ProcessEngine`` done in this process, for tests that are not about processes.

The suite's workers have threads of their own, so that each pool of the project would be one of a
fork server, two seconds of CPU beside a delivery of a third of a second. What a pool asks of a job
still holds: function, job and result go through pickle, and a job without memory is answered.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import pytest

from stemprep.engine import JobDied, ProcessEngine
from stemprep.engine.run import ignore

REAL_RUN = ProcessEngine.run


def _piped(value: Any) -> Any:
    """As it comes out at the other end of a pipe."""
    return pickle.loads(pickle.dumps(value))  # noqa: S301 - what was just written


def run_inline(
    engine: ProcessEngine,
    function: Callable[[Any], Any],
    jobs: Sequence[Any],
    on_done: Callable[[int], None] = ignore,
) -> list[Any]:
    """``ProcessEngine.run`` without its processes."""
    results: list[Any] = []
    for index, job in enumerate(jobs):
        try:
            result = _piped(function)(_piped(job))
        except MemoryError:
            result = JobDied(
                f"needs more than {engine.limits.memory_bytes // 1024**2} MB of memory"
            )
        results.append(_piped(result))
        on_done(index)
    return results


@contextmanager
def inline_jobs() -> Iterator[None]:
    """Have no ``ProcessEngine`` of this process start any."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(ProcessEngine, "run", run_inline)
        yield
