"""The job store: what became of every drop, on the disk before anything is told of it.

One connection, one lock: threads of the service share a store. Readers in other processes see
the last commit at any time (write-ahead log). What sqlite refuses is a StoreError, and so is
whatever surfaces of damaged bytes, here or while a record is made of a row.
"""

from __future__ import annotations

import os
import re
import secrets
import sqlite3
import threading
from collections.abc import Callable, Collection, Iterator, Sequence
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
    add_notice,
    add_step,
    count_of,
    job_of,
    marks,
    notice_of,
    row_of,
    seconds_of,
    state_of,
    step_of,
    unblocked,
)

_PAGE = 100
Record = TypeVar("Record")


class Store:
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
            with self._faults():
                self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                with self._faults():
                    self._connection.execute("COMMIT")
            except BaseException as error:
                with self._faults():
                    if self._connection.in_transaction:
                        self._connection.execute("ROLLBACK")
                    if isinstance(error, sqlite3.Error):
                        raise
                raise

    @contextmanager
    def _change(self) -> Iterator[sqlite3.Connection]:
        """A transaction of statements alone: see ``store_faults``."""
        with self.transaction() as connection, self._faults():
            yield connection

    def _faults(self) -> AbstractContextManager[None]:
        return store_faults(self.state / STORE_FILE)

    def read(
        self, query: str, values: Sequence[Any], record: Callable[[sqlite3.Row], Record]
    ) -> list[Record]:
        """What a query gives, each row as a record; what cannot become one is damage."""
        with self._lock, self._faults():
            return [record(row) for row in self._connection.execute(query, values).fetchall()]

    def read_jobs(self, query: str, values: Sequence[Any] = ()) -> list[Job]:
        """The jobs that a query over all columns gives."""
        return self.read(query, values, job_of)

    def rows(self, query: str, values: Sequence[Any] = ()) -> list[sqlite3.Row]:
        """What a query gives, as it is."""
        return self.read(query, values, lambda row: row)

    @property
    def service_id(self) -> str:
        """Eight hexadecimal digits that tell this service's staging folders from others'."""
        with self._change() as connection:
            connection.execute(
                "INSERT OR IGNORE INTO service VALUES ('id', ?)", (secrets.token_hex(4),)
            )
            found = connection.execute("SELECT value FROM service WHERE key = 'id'").fetchone()[0]
            if not re.fullmatch(r"[0-9a-f]{8}", found):
                raise ValueError("an id of the service that was never given")
            return str(found)

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

    # Making and changing jobs

    def add(self, job: Job, notice: str = "") -> Job:
        """Add a job, and what is to be told of it; its number is given back with it."""
        values = {**row_of(job)}
        del values["job"]
        with self._change() as connection:
            found = connection.execute(
                f"INSERT INTO jobs ({', '.join(values)}) VALUES ({marks(values)})",  # noqa: S608
                tuple(values.values()),
            )
            number = int(found.lastrowid or 0)
            add_step(connection, number, job.received_s)
            add_notice(connection, number, notice)
        added = self.job(number)
        assert added is not None, "it was just committed"
        return added

    def move(
        self,
        number: int,
        state: State,
        now_s: float,
        /,
        *,
        expected: tuple[State, ...],
        reason: str = "",
        notice: str = "",
        **fields: object,
    ) -> bool:
        """Move a job to a state; False, and nothing done, where it is in none of the expected.

        fields: further columns, by their names in ``Job``.
        """
        values = {"state": state, "reason": reason, "changed_s": now_s, **fields}
        settings = ", ".join(f"{column} = ?" for column in values)
        query = f"UPDATE jobs SET {settings} WHERE job = ? AND state IN ({marks(expected)})"  # noqa: S608
        with self._change() as connection:
            found = connection.execute(query, (*values.values(), number, *expected))
            if not found.rowcount:
                return False
            add_step(connection, number, now_s)
            add_notice(connection, number, notice)
        return True

    def set_fields(self, number: int, /, **fields: object) -> None:
        """Set columns of a job, by their names in ``Job``, without a step in its history."""
        settings = ", ".join(f"{column} = ?" for column in fields)
        with self._change() as connection:
            connection.execute(
                f"UPDATE jobs SET {settings} WHERE job = ?",  # noqa: S608 - our own names
                (*fields.values(), number),
            )

    def claim(self, now_s: float, lease_s: float, blocked: Blocked = NOTHING_BLOCKED) -> Job | None:
        """Take up the next job until ``now_s + lease_s``; None where nothing is due.

        What is published is finished first. A job that the service did not survive comes last.
        No two jobs of one drop are worked on at a time. blocked: whose jobs are left alone.
        """
        are_free, values = unblocked(blocked)
        with self._change() as connection:
            found = connection.execute(
                f"SELECT job, state FROM jobs AS next WHERE state IN ('waiting', 'published') "  # noqa: S608
                f"AND {are_free} AND not_before_s <= ? AND lease_until_s <= ? AND NOT EXISTS ("
                "SELECT 1 FROM jobs WHERE inbox = next.inbox AND raw_name = next.raw_name "
                "AND (state = 'running' OR (state = 'published' AND lease_until_s > ?))) "
                "ORDER BY state = 'waiting', interruptions, job LIMIT 1",
                (*values, now_s, now_s, now_s),
            ).fetchone()
            if found is None:
                return None
            state = "running" if found["state"] == "waiting" else found["state"]
            connection.execute(
                "UPDATE jobs SET state = ?, reason = '', changed_s = ?, lease_until_s = ? "
                "WHERE job = ?",
                (state, now_s, now_s + lease_s, found["job"]),
            )
            if found["state"] == "waiting":
                add_step(connection, found["job"], now_s)
        return self.job(found["job"])

    def renew(self, numbers: Collection[int], now_s: float, lease_s: float) -> None:
        """Go on holding these jobs."""
        if numbers:
            with self._change() as connection:
                connection.execute(
                    f"UPDATE jobs SET lease_until_s = ? WHERE job IN ({marks(numbers)})",  # noqa: S608
                    (now_s + lease_s, *numbers),
                )

    def take_back(
        self, held: Collection[int], now_s: float, wait_s: Callable[[int], float]
    ) -> list[int]:
        """Let jobs wait again that nobody works on although they are claimed.

        held: jobs that somebody does work on. wait_s: interruptions -> seconds to wait.
        For the one service that holds the lock of the state folder. Returns the jobs' numbers.
        """
        taken = []
        with self._change() as connection:
            claimed = connection.execute(
                "SELECT job, state, interruptions FROM jobs WHERE state = 'running' "
                "OR (state = 'published' AND lease_until_s > 0)"
            ).fetchall()
            for row in claimed:
                if row["job"] in held:
                    continue
                if row["state"] == "published":
                    connection.execute(
                        "UPDATE jobs SET lease_until_s = 0 WHERE job = ?", (row["job"],)
                    )
                    continue
                connection.execute(
                    "UPDATE jobs SET state = 'waiting', changed_s = ?, lease_until_s = 0, "
                    "interruptions = interruptions + 1, not_before_s = ?, "
                    "reason = 'the service ended while it was worked on' WHERE job = ?",
                    (now_s, now_s + wait_s(row["interruptions"] + 1), row["job"]),
                )
                add_step(connection, row["job"], now_s)
                taken.append(int(row["job"]))
        return taken

    # Papers and notices

    def claim_paper(self, path: Path, *, is_there: bool) -> bool:
        """Tell whether a file beside the drops may be written: new, or one of ours before.

        is_there: whether something has that name now. Written down before the file is.
        """
        raw = os.fsencode(path)
        with self._change() as connection:
            known = connection.execute("SELECT 1 FROM papers WHERE path = ?", (raw,)).fetchone()
            if known is None and not is_there:
                connection.execute("INSERT INTO papers VALUES (?)", (raw,))
            return known is not None or not is_there

    def is_our_paper(self, path: Path) -> bool:
        """Tell whether the service has written a file of this name."""
        return bool(self.rows("SELECT 1 FROM papers WHERE path = ?", (os.fsencode(path),)))

    def notices_due(self) -> list[tuple[Job, NoticeKind]]:
        """Jobs and what is still to be told of them, oldest first."""
        rows = self.read("SELECT job, kind FROM notices ORDER BY rowid LIMIT 100", (), notice_of)
        due = [(self.job(number), kind) for number, kind in rows]
        return [(job, kind) for job, kind in due if job is not None]

    def notice_sent(self, number: int, kind: str) -> None:
        """Take a notice off the list."""
        with self._change() as connection:
            connection.execute("DELETE FROM notices WHERE job = ? AND kind = ?", (number, kind))
