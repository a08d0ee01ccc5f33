"""The same jobs on a cluster of machines with shared storage, through dask.distributed.

Its scheduler hands out the jobs and gives a job whose worker is lost to another one. Ours is to see
to it that a worker gives what this machine would: it must see the same files, run the same
releases, and compute a job in one thread. And to ask again, alone, before a job is blamed for the
end of workers that it shared with others.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Future, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from stemprep import __version__
from stemprep.engine.alone import run_alone
from stemprep.engine.isolation import JobDied, Limits
from stemprep.engine.run import TRIES_ALONE, OnDone, ignore
from stemprep.errors import StemprepError

if TYPE_CHECKING:
    from distributed import Client
    from distributed.cfexecutor import ClientExecutor

Job = TypeVar("Job")
Result = TypeVar("Result")

CONNECT_S = 30.0
START_ALONE_S = 60.0
LIBRARIES = ("numpy", "soundfile", "soxr", "pedalboard")


@dataclass(frozen=True, slots=True, kw_only=True)
class DaskEngine:
    """Runs jobs on the workers of a scheduler.

    scheduler:  its address, for example ``tcp://machine-room:8786``.
    shared:     folders that every worker must see as this process does, at the same path.
    deadline_s: longest wait for the next job to end, seconds.
    """

    scheduler: str
    shared: tuple[Path, ...] = ()
    deadline_s: float = 3600.0

    def run(
        self,
        function: Callable[[Job], Result],
        jobs: Sequence[Job],
        on_done: OnDone = ignore,
    ) -> list[Result | JobDied]:
        """See ``Engine``. Raises StemprepError for whatever is the cluster's fault."""
        if not jobs:
            return []
        with self._connected() as client:
            self._require_same_view(client)
            results = self._results(client, function, jobs, on_done)
            self._require_same_view(client)  # a share that went away makes files unreadable
        return results

    def _results(
        self,
        client: Client,
        function: Callable[[Job], Result],
        jobs: Sequence[Job],
        on_done: OnDone,
    ) -> list[Result | JobDied]:
        results: dict[int, Result | JobDied] = {}
        executor = client.get_executor(pure=False)
        for index in self._run_together(executor, function, jobs, results, on_done):
            results[index] = self._run_alone(executor, function, jobs[index])
            on_done(index)
        return [results[index] for index in range(len(jobs))]

    def _run_together(
        self,
        executor: ClientExecutor,
        function: Callable[[Job], Result],
        jobs: Sequence[Job],
        results: dict[int, Result | JobDied],
        on_done: OnDone,
    ) -> list[int]:
        """Run all jobs; return those that were on workers that ended, to blame or not."""
        from distributed import KilledWorker

        suspects: list[int] = []
        submitted: dict[Future[Result | JobDied], int] = {
            executor.submit(run_bounded, function, job): index for index, job in enumerate(jobs)
        }
        waiting = set(submitted)
        try:
            while waiting:
                done = next(as_completed(waiting, timeout=self.deadline_s))
                waiting.discard(done)
                index = submitted[done]
                try:
                    results[index] = done.result()
                except KilledWorker:
                    suspects.append(index)
                else:
                    on_done(index)
        finally:
            for future in waiting:
                future.cancel()
        return sorted(suspects)

    def _run_alone(
        self, executor: ClientExecutor, function: Callable[[Job], Result], job: Job
    ) -> Result | JobDied:
        """Run a job where its end is its own, on any worker; see ``run_alone``.

        Raises StemprepError where workers keep ending around it: somebody else's doing.
        """
        from distributed import KilledWorker

        limits = Limits(deadline_s=self.deadline_s)
        for _ in range(TRIES_ALONE):
            future: Future[Result | JobDied] = executor.submit(run_alone, function, job, limits)
            try:
                return future.result(TRIES_ALONE * self.deadline_s + START_ALONE_S)
            except KilledWorker:
                continue
            finally:
                future.cancel()
        raise StemprepError(
            f"the workers of the cluster at {self.scheduler} come to an end again and again, by no "
            "fault of these files; look at what else runs there, and at their memory"
        )

    @contextmanager
    def _connected(self) -> Iterator[Client]:
        """Give a connection to a scheduler that has workers."""
        try:
            from distributed import Client
            from distributed.comm.core import CommClosedError
        except ImportError as error:
            raise StemprepError(
                "engine: dask needs the cluster extra; install stemprep[cluster], or use another "
                "engine"
            ) from error
        try:
            client = Client(self.scheduler, timeout=CONNECT_S, set_as_default=False)
        except OSError as error:
            raise self._no_answer(error) from error
        try:
            with client:
                client.wait_for_workers(1, timeout=CONNECT_S)
                yield client
        except (CommClosedError, TimeoutError, CancelledError) as error:
            raise self._no_answer(error) from error

    def _no_answer(self, error: BaseException) -> StemprepError:
        return StemprepError(
            f"the cluster at {self.scheduler} gives no answer ({str(error) or 'time is up'}); "
            "are its scheduler and at least one worker running?"
        )

    def _require_same_view(self, client: Client) -> None:
        """Raise where a worker would not give what this process gives."""
        here = view(self.shared)
        for worker, there in client.run(view, self.shared).items():
            for name, version in here.releases:
                other = dict(there.releases).get(name, "")
                if other != version:
                    raise StemprepError(
                        f"worker {worker} has {name} {other or 'not'} installed, this machine "
                        f"{version}; install the same on both"
                    )
            if not there.is_single_threaded:
                raise StemprepError(
                    f"worker {worker} computes one job in several threads, which rounds otherwise; "
                    "start it with OPENBLAS_NUM_THREADS=1 in its environment"
                )
            for place, ours, theirs in zip(self.shared, here.folders, there.folders, strict=True):
                if ours != theirs:
                    raise StemprepError(
                        f"worker {worker} does not see the same folder at {place}; mount the "
                        "shared storage there"
                    )


def run_bounded(function: Callable[[Job], Result], job: Job) -> Result | JobDied:
    """Run one job on a worker; the worker's own limits end what takes too much memory."""
    try:
        return function(job)
    except MemoryError:
        return JobDied("needs more memory than the worker has")


@dataclass(frozen=True, slots=True)
class View:
    """What decides whether two processes give the same.

    releases: of stemprep and of the libraries that sound goes through.
    folders:  the number that each shared folder has in its file system; -1 where there is none.
    """

    releases: tuple[tuple[str, str], ...]
    is_single_threaded: bool
    folders: tuple[int, ...]


def view(places: Sequence[Path]) -> View:
    """How this process sees the shared folders, and what it computes with."""
    return View(
        releases=(("stemprep", __version__), *((name, _release(name)) for name in LIBRARIES)),
        is_single_threaded=os.environ.get("OPENBLAS_NUM_THREADS") == "1",
        folders=tuple(_file_number(place) for place in places),
    )


def _release(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return ""


def _file_number(place: Path) -> int:
    try:
        return place.stat().st_ino
    except OSError:
        return -1
