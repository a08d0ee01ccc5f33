"""What a worker process may use up, and what is told of a job that used up more."""

from __future__ import annotations

import ctypes
import os
import resource
import signal
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import connection, parent_process
from typing import Generic, TypeVar

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3  # malloc.h
_KEPT_BYTES = 256 * 1024**2

Job = TypeVar("Job")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """memory_bytes: private memory of one worker; deadline_s: wall time of one job.

    A worker that passes its deadline is ended by the kernel, whatever library it hangs in.
    """

    memory_bytes: int = 2 * 1024**3
    deadline_s: float = 3600.0


@dataclass(frozen=True, slots=True)
class JobDied:
    """In place of a result: the job was tried twice, the second time alone, and died twice."""

    reason: str


@dataclass(frozen=True, slots=True)
class GuardedCall(Generic[Job, Result]):
    """A picklable call of ``function`` under ``limits``, to be run inside a worker."""

    function: Callable[[Job], Result]
    limits: Limits

    def __call__(self, job: Job) -> Result | JobDied:
        """Run one job; out of memory is an answer, a deadline is the end of the process."""
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_REAL, self.limits.deadline_s)
        try:
            return self.function(job)
        except MemoryError:
            return JobDied(f"needs more than {self.limits.memory_bytes // 1024**2} MB of memory")
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)


def prepare_worker(limits: Limits) -> None:
    """Bound the worker's memory, leave Ctrl-C to the parent, and end when the parent has ended."""
    threading.Thread(target=_end_with_parent, daemon=True).start()  # needs memory: first
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    wanted = (
        limits.memory_bytes if hard == resource.RLIM_INFINITY else min(hard, limits.memory_bytes)
    )
    resource.setrlimit(resource.RLIMIT_DATA, (wanted, hard))
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _keep_freed_memory()
    signal.signal(signal.SIGTERM, signal.SIG_DFL)  # a fork takes over what the parent does on it


def _keep_freed_memory() -> None:
    """Let the C library (glibc) keep freed arrays: the next block asks for the same ones again."""
    with suppress(OSError, AttributeError):
        library = ctypes.CDLL(None)
        for option in (_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD):
            library.mallopt(option, _KEPT_BYTES)


def give_back_memory() -> None:
    """Have the C library (glibc) return what is free in the middle of its heap to the system.

    For a process that lives for months: short jobs leave holes that would only add up.
    """
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def _end_with_parent() -> None:
    """End at once when the parent was killed: nobody would ever end an orphan."""
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)
