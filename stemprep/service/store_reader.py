"""Reading the job store: which jobs there are, what became of them, what is due.

One connection, one lock: threads of the service share a store. Readers in other processes see
the last commit at any time (write-ahead log). What sqlite refuses is a StoreError, and so is
whatever surfaces of damaged bytes, here or while a record is made of a row.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from stemprep.model.service import NoticeKind
from stemprep.service.jobs import Job, State, Step
from stemprep.service.store_file import STORE_FILE, Access, opened_store, store_faults
from stemprep.service.store_rows import (
    NOTHING_BLOCKED,
    Blocked,
    count_of,
    job_of,
    marks,
    notice_of,
    seconds_of,
    state_of,
    step_of,
    unblocked,
)

_PAGE = 100
Record = TypeVar("Record")


class StoreReader:
    """Jobs and their history in ``state``; see ``store_tables.opened_store`` for what it raises."""

    def __init__(self, state: Path, access: Access = "make") -> None:
        self.state = state
        self._lock = threading.RLock()
        self._connection = opened_store(state, access)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file; what was committed is on the disk."""
        with self._lock:
            self._connection.close()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing; on the disk when it is left. One inside another is part of it.

        Inside, what is no error of sqlite's goes through as it is.
        """
        with self._lock:
            if self._connection.in_transaction:
                yield self._connection
                return
            with self.faults():
                self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                with self.faults():
                    self._connection.execute("COMMIT")
            except BaseException as error:
                with self.faults():
                    if self._connection.in_transaction:
                        self._connection.execute("ROLLBACK")
                    if isinstance(error, sqlite3.Error):
                        raise
                raise

    @contextmanager
    def change(self) -> Iterator[sqlite3.Connection]:
        """A transaction of statements alone: see ``store_faults``."""
        with self.transaction() as connection, self.faults():
            yield connection

    def faults(self) -> AbstractContextManager[None]:
        """What sqlite refuses, and what damaged bytes cause, as a StoreError."""
        return store_faults(self.state / STORE_FILE)

    def read(
        self, query: str, values: Sequence[Any], record: Callable[[sqlite3.Row], Record]
    ) -> list[Record]:
        """What a query gives, each row as a record; what cannot become one is damage."""
        with self._lock, self.faults():
            return [record(row) for row in self._connection.execute(query, values).fetchall()]

    def read_jobs(self, query: str, values: Sequence[Any] = ()) -> list[Job]:
        """The jobs that a query over all columns gives."""
        return self.read(query, values, job_of)

    def rows(self, query: str, values: Sequence[Any] = ()) -> list[sqlite3.Row]:
        """What a query gives, as it is."""
        return self.read(query, values, lambda row: row)

    # Looking things up

    def jobs(self, states: tuple[State, ...] = (), newest: int | None = None) -> list[Job]:
        """Jobs in these states (all, where none is named), by number; the newest so many."""
        chosen = f"WHERE state IN ({marks(states)})" if states else ""
        query = f"SELECT * FROM jobs {chosen} ORDER BY job DESC LIMIT ?"  # noqa: S608 - marks only
        return self.read_jobs(query, (*states, newest or -1))[::-1]

    def newest_first(self, states: tuple[State, ...]) -> Iterator[Job]:
        """Jobs in these states, a few held in memory at a time."""
        before = 1 << 62
        query = (
            f"SELECT * FROM jobs WHERE state IN ({marks(states)}) AND job < ? "  # noqa: S608
            "ORDER BY job DESC LIMIT ?"
        )
        while jobs := self.read_jobs(query, (*states, before, _PAGE)):
            yield from jobs
            before = jobs[-1].job

    def job(self, number: int) -> Job | None:
        """One job; None where the number is not known."""
        return next(iter(self.read_jobs("SELECT * FROM jobs WHERE job = ?", (number,))), None)

    def steps(self, number: int) -> list[Step]:
        """The history of one job, oldest first."""
        return self.read("SELECT * FROM steps WHERE job = ? ORDER BY rowid", (number,), step_of)

    def latest(self, inbox: Path, raw_name: bytes, spec: str) -> Job | None:
        """The newest job of a drop by one spec."""
        jobs = self.read_jobs(
            "SELECT * FROM jobs WHERE inbox = ? AND raw_name = ? AND spec = ? "
            "ORDER BY job DESC LIMIT 1",
            (os.fsencode(inbox), raw_name, spec),
        )
        return jobs[0] if jobs else None

    def siblings(self, job: Job) -> list[Job]:
        """The jobs of the same state of the same drop by other specs."""
        return self.read_jobs(
            "SELECT * FROM jobs WHERE inbox = ? AND raw_name = ? AND fingerprint = ? AND job != ? "
            "AND spec != ? AND state NOT IN ('changed', 'gone') ORDER BY job",
            (os.fsencode(job.inbox), job.raw_name, job.fingerprint, job.job, job.spec),
        )

    def predecessors(self, job: Job, stem: str, *, is_titled: bool) -> list[Job]:
        """The deliveries before this one, by number.

        They have the same destination, spec and name but for the number, and either the same drop,
        or a title that a person gave: two drops called 'mixes' have nothing to do with each other.
        """
        return self.read_jobs(
            "SELECT * FROM jobs WHERE destination = ? AND stem = ? AND spec = ? AND job != ? "
            "AND state IN ('published', 'delivered') AND tag_sha256 != '' "
            "AND ((? AND is_titled) OR (inbox = ? AND raw_name = ?)) "
            "GROUP BY package ORDER BY number",
            (
                job.destination, stem, job.spec, job.job,
                int(is_titled), os.fsencode(job.inbox), job.raw_name,
            ),
        )  # fmt: skip

    def is_any_due(self, now_s: float, blocked: Blocked = NOTHING_BLOCKED) -> bool:
        """Whether a job is to be taken up now, or would be but for a kill of the service.

        blocked: as for ``claim``.
        """
        are_free, values = unblocked(blocked)
        query = (
            f"SELECT 1 FROM jobs AS next WHERE state IN ('waiting', 'published') AND {are_free} "  # noqa: S608
            "AND (attempts = 0 AND interruptions > 0 OR not_before_s <= ?) LIMIT 1"
        )
        return bool(self.rows(query, (*values, now_s)))

    def counts_by_state(self) -> dict[str, int]:
        """How many jobs are in each state that any job is in."""
        rows = self.read(
            "SELECT state, count(*) AS jobs FROM jobs GROUP BY state",
            (),
            lambda row: (state_of(row["state"]), count_of(row["jobs"])),
        )
        return dict(rows)

    def oldest_waiting_s(self, now_s: float) -> float:
        """Age of the oldest drop that is still to be worked off, seconds; 0 where there is none."""
        oldest_s = self.read(
            "SELECT received_s FROM jobs WHERE state IN ('waiting', 'running', 'published') "
            "ORDER BY received_s LIMIT 1",
            (),
            lambda row: seconds_of(row["received_s"]),
        )
        return max(0.0, now_s - oldest_s[0]) if oldest_s else 0.0

    def audio_seconds(self) -> float:
        """Seconds of sound in all drops that were measured, counted by length of the files."""
        query = "SELECT total(audio_s) FROM jobs"
        return self.read(query, (), lambda row: seconds_of(row[0]))[0]

    def is_our_paper(self, path: Path) -> bool:
        """Tell whether the service has written a file of this name."""
        return bool(self.rows("SELECT 1 FROM papers WHERE path = ?", (os.fsencode(path),)))

    def notices_due(self) -> list[tuple[Job, NoticeKind]]:
        """Jobs and what is still to be told of them, oldest first."""
        rows = self.read("SELECT job, kind FROM notices ORDER BY rowid LIMIT 100", (), notice_of)
        due = [(self.job(number), kind) for number, kind in rows]
        return [(job, kind) for job, kind in due if job is not None]
