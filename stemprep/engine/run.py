"""Engines: the same jobs, the same results in the same order, wherever they run."""

from __future__ import annotations

import gc
import multiprocessing
import os
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.context import BaseContext
from queue import SimpleQueue
from typing import Any, Generic, Protocol, TypeVar, cast

from stemprep.engine.end_requests import EndRequests, deferred_end_requests
from stemprep.engine.isolation import GuardedCall, JobDied, Limits, prepare_worker
from stemprep.errors import StemprepError

Job = TypeVar("Job")
Result = TypeVar("Result")
OnDone = Callable[[int], None]

TRIES_ALONE = 2
LONGEST_SOCKET_FOLDER_BYTES = 70
"""A socket's path has at most 107 bytes (unix(7)), 31 of them its name in a folder of its own."""
_PRELOADED = ["stemprep.work.measure"]


def available_cores() -> int:
    """Cores this process may run on."""
    return len(os.sched_getaffinity(0))


def _do_nothing() -> None:
    """The job that any worker can do."""


def ignore(index: int) -> None:
    """Progress that nobody watches."""


class Engine(Protocol):
    """Runs a function over jobs; a job that kills its worker yields ``JobDied``."""

    def run(
        self,
        function: Callable[[Job], Result],
        jobs: Sequence[Job],
        on_done: OnDone = ignore,
    ) -> list[Result | JobDied]:
        """Return one result a job, in the order of the jobs; ``on_done`` gets each index."""
        ...


@dataclass(frozen=True, slots=True)
class InlineEngine:
    """One job after the other in this process, for a few small files of trusted structure."""

    def run(
        self,
        function: Callable[[Job], Result],
        jobs: Sequence[Job],
        on_done: OnDone = ignore,
    ) -> list[Result | JobDied]:
        """See ``Engine``."""
        results: list[Result | JobDied] = []
        for index, job in enumerate(jobs):
            results.append(function(job))
            on_done(index)
        return results


@dataclass(frozen=True, slots=True)
class ProcessEngine:
    """Worker processes with limits of their own; one job a worker at a time.

    When a worker dies, its pool is lost with it: the jobs that had not begun go to a new pool,
    those that may have been running each go to a pool of their own, once.
    """

    workers: int = field(default_factory=available_cores)
    limits: Limits = field(default_factory=Limits)

    def run(
        self,
        function: Callable[[Job], Result],
        jobs: Sequence[Job],
        on_done: OnDone = ignore,
    ) -> list[Result | JobDied]:
        """See ``Engine``."""
        with deferred_end_requests() as requests:
            run = _Run(GuardedCall(function, self.limits), jobs, self.workers, on_done, requests)
            run.complete()
        return [run.results[index] for index in range(len(jobs))]


@dataclass(frozen=True, slots=True)
class _Run(Generic[Job, Result]):
    """One run of an engine: its jobs, and what has come of them by their index."""

    call: GuardedCall[Job, Result]
    jobs: Sequence[Job]
    workers: int
    on_done: OnDone
    requests: EndRequests
    results: dict[int, Result | JobDied] = field(default_factory=dict)

    def complete(self) -> None:
        """Run every job, in as many pools as that takes."""
        waiting = list(range(len(self.jobs)))
        while waiting:
            suspects, waiting = self._run_pool(waiting, self.workers)
            for index in suspects:
                if self._dies_alone(index):
                    self._require_workers()
                    self._finish(
                        index, JobDied("the decoder crashed or did not come to an end, twice")
                    )

    def _dies_alone(self, index: int) -> bool:
        """Run one job in a pool of its own, twice if need be: it may not have begun before."""
        return all(self._run_pool([index], 1)[0] for _ in range(TRIES_ALONE))

    def _require_workers(self) -> None:
        """Raise when not even an empty job comes back: the fault is ours, no file's."""
        try:
            with self._pool(1) as pool:
                pool.submit(_do_nothing).result()
        except BrokenExecutor as error:
            raise _no_workers() from error

    def _run_pool(self, indices: Sequence[int], workers: int) -> tuple[list[int], list[int]]:
        """Run some jobs in one pool; return (may have killed a worker, not begun)."""
        lost: list[int] = []
        ended: SimpleQueue[Future[Result | JobDied] | None] = SimpleQueue()
        self.requests.on_request = lambda: ended.put(None)
        self.requests.obey()
        with self._pool(min(workers, len(indices))) as pool, _ended_at_once(pool):
            futures = _submit(pool, self.call, self.jobs, indices)
            submitted = set(futures.values())
            for future in futures:
                future.add_done_callback(ended.put)
            for _ in futures:
                while (ended_one := ended.get()) is None:
                    self.requests.obey()
                index = futures[ended_one]
                try:
                    result = ended_one.result()
                except BrokenExecutor:
                    lost.append(index)
                else:
                    self._finish(index, result)
        left = [index for index in indices if index not in submitted]
        return _split_suspects(lost, left, workers)

    def _finish(self, index: int, result: Result | JobDied) -> None:
        self.results[index] = result
        with self.requests.obeyed_at_once():
            self.on_done(index)

    def _pool(self, workers: int) -> ProcessPoolExecutor:
        try:
            return ProcessPoolExecutor(
                workers,
                mp_context=_context(),
                initializer=prepare_worker,
                initargs=(self.call.limits,),
            )
        except OSError as error:  # its locks need shared memory and a process that tidies them up
            raise _no_workers() from error


def _no_workers() -> StemprepError:
    return StemprepError(
        "worker processes cannot be started on this machine; free memory, look for a limit on "
        f"processes, and see that this user may run {sys.executable} and write to /dev/shm"
    )


def _context() -> BaseContext:
    """Workers come from a plain fork, which has all modules loaded, while no other thread runs.

    A fork beside threads can inherit a lock that is never released: then a fork server. Its socket
    lies in the folder for temporary files; where that has too long a path, plain new processes.
    """
    if threading.active_count() == 1:
        gc.freeze()  # what is loaded is not looked through again, so its pages stay shared
        return multiprocessing.get_context("fork")
    if len(os.fsencode(tempfile.gettempdir())) > LONGEST_SOCKET_FOLDER_BYTES:
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(_PRELOADED)
    return context


@contextmanager
def _ended_at_once(pool: ProcessPoolExecutor) -> Iterator[None]:
    """Leaving by an error ends the workers instead of waiting for jobs that nobody needs now.

    The pool's thread is waited for: left alone, it closes pipes into which the exit handler of
    ``concurrent.futures`` writes.
    """
    try:
        yield
    except BaseException:
        workers = list((pool._processes or {}).values())  # no public way before Python 3.14
        results = cast("Any", pool._result_queue)
        for worker in workers:
            worker.kill()
        if results is not None:
            results._writer.close()  # a result that was cut off by the kill has an end now
        pool.shutdown(cancel_futures=True)
        for worker in workers:  # without the pool's thread, where a process could not be started
            worker.join()
        raise


def _submit(
    pool: ProcessPoolExecutor,
    call: GuardedCall[Job, Result],
    jobs: Sequence[Job],
    indices: Sequence[int],
) -> dict[Future[Result | JobDied], int]:
    """Submit until the pool breaks; a pool that is already broken takes no more."""
    futures: dict[Future[Result | JobDied], int] = {}
    for index in indices:
        try:
            futures[pool.submit(call, jobs[index])] = index
        except BrokenExecutor:
            break
        except OSError as error:  # the system refuses a process
            raise _no_workers() from error
    return futures


def _split_suspects(
    lost: list[int], not_submitted: list[int], workers: int
) -> tuple[list[int], list[int]]:
    """Jobs start in order, at most one a worker and one queued: only those can be to blame."""
    ordered = sorted(lost)
    suspects = ordered[: workers + 1]
    return suspects, ordered[workers + 1 :] + not_submitted
