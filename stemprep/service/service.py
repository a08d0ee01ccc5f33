"""The service itself: look, enqueue, run, tell, and wait; until it is told to end."""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable, Collection
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from stemprep.engine import Engine, InlineEngine, give_back_memory
from stemprep.errors import StemprepError
from stemprep.model.service import ServiceConfig
from stemprep.package import opened_folder
from stemprep.service.enqueue import Enqueuer
from stemprep.service.health import Heartbeat
from stemprep.service.inbox.arrivals import Arrivals, Drop, Held, Hint, ScanResult
from stemprep.service.inbox.events import Hints
from stemprep.service.index import Indexes
from stemprep.service.jobs import Job
from stemprep.service.logs import InboxLog
from stemprep.service.notices import Notice, Notices
from stemprep.service.outages import Outages, sweep_staging
from stemprep.service.places import Places
from stemprep.service.runner import Runner
from stemprep.service.store import Store
from stemprep.service.store_file import DamagedStoreError, StoreError


def engine_of(config: ServiceConfig) -> Engine | None:
    """The engine that the config names; None: worker processes, small drops in this process."""
    if config.engine == "inline":
        return InlineEngine()
    if config.engine == "dask":
        from stemprep.engine.dask_engine import DaskEngine  # an extra

        assert config.scheduler is not None, "the config holds this"
        shared = (*(box.path for box in config.inboxes), *config.destinations)
        return DaskEngine(scheduler=config.scheduler, shared=shared)
    return None


LEASE_S = 300.0
SHORTEST_PACE_S, LONGEST_PACE_S = 0.05, 1.0
LOOKS_PER_SETTLING = 4
STORE_PACE_S = 2.0
PLACES_PACE_S, IDLE_PLACES_PACE_S = 1.0, 30.0
"""At most so often all places are looked at; what a job does in one proves it by itself."""
LAST_WAIT_S = 5.0
"""Running jobs are interrupted after ``stop_within_s``; this long they have to notice."""

EXIT_DONE, EXIT_LEFT_OVER = 0, 5


@dataclass(slots=True)
class Service:
    """Works off the inboxes of a config; who calls ``run`` holds the state folder.

    is_once: end when all that lies there is worked off.
    clock:   seconds since 1970; only for what is told and for waits between attempts.
    """

    config: ServiceConfig
    store: Store
    notices: Notices
    is_once: bool = False
    clock: Callable[[], float] = time.time
    _arrivals: Arrivals = field(init=False)
    _places: Places = field(init=False)
    _outages: Outages = field(init=False)
    _enqueuer: Enqueuer = field(init=False)
    _hints: Hints = field(init=False)
    _runner: Runner = field(init=False)
    _heartbeat: Heartbeat = field(init=False)
    _stop: threading.Event = field(default_factory=threading.Event)
    _interrupt: threading.Event = field(default_factory=threading.Event)
    _active: dict[Future[None], Job] = field(default_factory=dict)
    _indexes: Indexes = field(init=False)
    _inbox_log: InboxLog = field(init=False)
    _begun_s: float = 0.0
    _renew_due_s: float = 0.0
    _trouble: str = ""
    _store_due_s: float = 0.0
    _places_due_s: float = 0.0

    def __post_init__(self) -> None:
        self._places = Places(self.config, self.store)
        self._outages = Outages(config=self.config, store=self.store, places=self._places)
        self._arrivals = Arrivals(self.config.inboxes, self.config.rescan_s, self._places.why_away)
        self._enqueuer = Enqueuer(config=self.config, store=self.store, places=self._places)
        self._inbox_log = InboxLog(is_title_shown=self.config.notices.are_titles_shown)
        self._hints = Hints(self.config.inboxes)
        self._indexes = Indexes(self.config, self.store, self._places)
        self._heartbeat = Heartbeat(self.config.state)
        self._runner = Runner(
            config=self.config,
            store=self.store,
            places=self._places,
            engine=engine_of(self.config),
            clock=self.clock,
            is_stopping=self._interrupt.is_set,
        )

    @property
    def is_at_rest(self) -> bool:
        """Whether no job is being worked on."""
        return all(future.done() for future in self._active)

    def stop(self) -> None:
        """Have ``run`` come to an end soon; to be called from a signal handler or any thread."""
        self._stop.set()

    def run(self) -> int:
        """Work until told to stop, or once; the exit code.

        5 after ``is_once`` with jobs that the machine has kept from their end, or inboxes that
        could not be reached. Raises DamagedStoreError where the job store turns out to be damaged.
        """
        self._begun_s = self.clock()
        self._hints.start()
        pool = ThreadPoolExecutor(self.config.limits.jobs_at_once, thread_name_prefix="job")
        hints: frozenset[Hint] = frozenset()
        try:
            self._recover()
            while not self._stop.is_set():
                self._heartbeat.beat()
                self._step(pool, hints)
                if self.is_once and self._is_worked_off():
                    break
                hints = frozenset() if self._stop.is_set() else self._hints.wait(self._pace_s)
            return self._end(pool)
        except DamagedStoreError:
            self._interrupt.set()
            raise
        finally:
            self._heartbeat.end()
            self._hints.close()
            pool.shutdown(wait=False, cancel_futures=True)

    def _recover(self) -> None:
        """Take up what a service before this one has left: the lock says that it has ended."""
        taken = self.store.take_back((), self.clock(), self._wait_after)
        for number in taken:
            _log().info("taken up again", job=number)
        with opened_folder(self.config.state) as descriptor:
            sweep_staging(descriptor, self.store.service_id)
        self._outages.begin()

    def _wait_after(self, interruptions: int) -> float:
        """Two interruptions are forgiven; a job that takes the service with it has to wait."""
        return self.config.retries.wait_s(interruptions - 2) if interruptions > 2 else 0.0

    @property
    def _pace_s(self) -> float:
        """Seconds between two looks: four in the shortest settle time, one a second at least."""
        shortest = min(inbox.settle_s for inbox in self.config.inboxes)
        return min(max(shortest / LOOKS_PER_SETTLING, SHORTEST_PACE_S), LONGEST_PACE_S)

    # One round

    def _step(self, pool: ThreadPoolExecutor, hints: frozenset[Hint]) -> None:
        try:
            self._take(self._arrivals.scan(time.monotonic(), hints))
            is_news = self._collect()
            self._start(pool, is_news=is_news or bool(hints))
            self._send_notices()
            for words in self._indexes.rebuild(self._words_of):
                _log().warning("index", told=words)
            self._trouble = ""
        except DamagedStoreError:  # whatever is written now would make it worse
            raise
        except StemprepError as error:  # the store refuses: nothing is lost, only late
            self._log_trouble(error)
        except Exception as error:  # a fault of ours must not end what runs for months
            if self.is_once:
                raise
            self._log_trouble(error)

    def _log_trouble(self, error: Exception) -> None:
        """Tell once what goes wrong round after round."""
        if str(error) != self._trouble:
            _log().error("not possible now", reason=self._words_of(error))
        self._trouble = str(error)
        self._store_due_s = 0.0

    def _words_of(self, error: BaseException) -> str:
        """An error for the log: its words may name a drop, its kind and place cannot."""
        if self.config.notices.are_titles_shown or isinstance(error, StoreError):
            return str(error)
        last = traceback.extract_tb(error.__traceback__)[-1:]
        place = "".join(f" in {Path(frame.filename).name}:{frame.lineno}" for frame in last)
        return f"{type(error).__name__}{place}"

    def _take(self, found: ScanResult) -> None:
        now_s = self.clock()
        try:
            if found.received or found.ready:
                with self.store.transaction():  # one for all: a thousand may come at once
                    for drop in found.received:
                        self._enqueuer.announce(drop, now_s)
                    for drop in found.ready:
                        self._enqueuer.take(drop, now_s)
            for held in found.held:
                is_lasting = held.is_lasting or self.is_once  # then nobody looks again
                self._inbox_log.hold(held, self._enqueuer.hold(held, now_s, is_lasting=is_lasting))
        except StemprepError:
            closed = [held for held in found.held if held.is_closed]
            drops: list[Drop | Held] = [*found.received, *found.ready, *closed]
            for lost in drops:
                self._arrivals.forget(lost.path.parent, lost.name)  # it is given out again
            raise
        for trouble in self._hints.troubles():
            _log().warning("events", told=trouble)
        if found.is_any_gone:
            self._enqueuer.miss(now_s)
        self._inbox_log.reach(found.unreachable)
        if found.received or found.ready:
            self._store_due_s = 0.0

    def _collect(self) -> bool:
        """Forget jobs that have ended; True where there were any."""
        ended = [future for future in self._active if future.done()]
        for future in ended:
            job = self._active.pop(future)
            error = future.exception()
            if isinstance(error, DamagedStoreError):
                raise error
            if error is not None:
                _log().error("job left as it was", job=job.job, reason=self._words_of(error))
            self._report(job)
        if ended and not self._active:
            give_back_memory()
        return bool(ended)

    def _report(self, job: Job) -> None:
        known = self.store.job(job.job)
        if known is None:
            return
        _log().info(known.state, job=known.job, verdict=known.verdict, attempts=known.attempts)
        self._indexes.outdate(job)
        if known.state == "arriving":  # it could not be read any more: look at it afresh
            self._arrivals.forget(job.inbox, job.name)

    def _start(self, pool: ThreadPoolExecutor, *, is_news: bool) -> None:
        now_s = time.monotonic()
        if now_s < self._store_due_s and not is_news:
            return
        self._store_due_s = now_s + STORE_PACE_S
        held = {job.job for job in self._active.values()}
        self.store.take_back(held, self.clock(), self._wait_after)
        if now_s >= self._renew_due_s:
            self.store.renew(held, self.clock(), LEASE_S)
            self._renew_due_s = now_s + LEASE_S / 3
        self._look_at_places(held)
        while len(self._active) < self.config.limits.jobs_at_once:
            job = self.store.claim(self.clock(), LEASE_S, self._outages.blocked)
            if job is None:
                return
            future = pool.submit(self._runner.run, job)
            self._active[future] = job
            future.add_done_callback(lambda _: self._hints.wake())

    def _look_at_places(self, held: Collection[int]) -> None:
        """See which places are away: at once where jobs wait, else from time to time."""
        now_s = time.monotonic()
        is_idle = not self._outages.is_any_away and not self.store.is_any_due(self.clock())
        if now_s >= self._places_due_s + (IDLE_PLACES_PACE_S if is_idle else 0.0):
            self._outages.examine(self.clock(), held, is_last_look=False)
            self._places_due_s = time.monotonic() + PLACES_PACE_S

    def _send_notices(self) -> None:
        self._forget_sent()
        for job, kind in self.store.notices_due():
            if kind not in self.config.notices.kinds:
                self.store.notice_sent(job.job, kind)
                continue
            sent = self.notices.enqueue(
                Notice(
                    kind=kind,
                    job=job.job,
                    verdict=job.verdict,
                    files=job.files,
                    size_bytes=job.size_bytes,
                    name=job.name,
                    headline=job.reason,
                )
            )
            if not sent:
                break

    def _forget_sent(self) -> None:
        sent = self.notices.finished()
        if sent:
            with self.store.transaction():
                for notice, _ in sent:
                    self.store.notice_sent(notice.job, notice.kind)

    # The end

    def _is_worked_off(self) -> bool:
        """Tell whether nothing is left that time alone, or this service, would bring further."""
        if self._active or self._indexes.are_stale or not self._arrivals.is_quiet:
            return False
        return not self.store.is_any_due(self.clock(), self._outages.blocked)

    def _end(self, pool: ThreadPoolExecutor) -> int:
        """Let running jobs finish for a while, then have them checkpoint."""
        _, running = wait(self._active, timeout=self.config.stop_within_s)
        if running:
            self._interrupt.set()
            _, running = wait(running, timeout=LAST_WAIT_S)
        self._collect()
        self._enqueuer.miss(self.clock())
        if self.is_once:
            self._outages.examine(self.clock(), (), is_last_look=True)
        self._send_notices()
        self.notices.close()
        self._forget_sent()
        self.store.take_back((), self.clock(), lambda _: 0.0)
        if not self.is_once or self._stop.is_set():
            return EXIT_DONE
        left = self.store.jobs(("waiting", "running", "published", "set-aside"))
        is_left = any(job.state != "set-aside" or job.changed_s >= self._begun_s for job in left)
        return EXIT_LEFT_OVER if is_left or self._inbox_log.unreachable else EXIT_DONE


def _log() -> structlog.typing.FilteringBoundLogger:
    log: structlog.typing.FilteringBoundLogger = structlog.get_logger()
    return log
