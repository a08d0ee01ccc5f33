"""The job store: what became of every drop, on the disk before anything is told of it."""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Unpack

from stemprep.service.jobs import TRANSITIONS, Job, JobColumns, Way
from stemprep.service.store_reader import StoreReader
from stemprep.service.store_rows import (
    NOTHING_BLOCKED,
    Blocked,
    add_notice,
    add_step,
    marks,
    row_of,
    unblocked,
)


class Store(StoreReader):
    """Jobs and their history, changed; each method of a step is one of ``jobs.TRANSITIONS``."""

    @property
    def service_id(self) -> str:
        """Eight hexadecimal digits that tell this service's staging folders from others'."""
        with self.change() as connection:
            connection.execute(
                "INSERT OR IGNORE INTO service VALUES ('id', ?)", (secrets.token_hex(4),)
            )
            found = connection.execute("SELECT value FROM service WHERE key = 'id'").fetchone()[0]
            if not re.fullmatch(r"[0-9a-f]{8}", found):
                raise ValueError("an id of the service that was never given")
            return str(found)

    # Making and changing jobs

    def add(self, job: Job, notice: str = "") -> Job:
        """Add a job, and what is to be told of it; its number is given back with it."""
        values = {**row_of(job)}
        del values["job"]
        with self.change() as connection:
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

    def receive(
        self, number: int, now_s: float, *, fingerprint: str, files: int, size_bytes: int
    ) -> bool:
        """The drop is whole and still: its job waits for its turn."""
        return self._move(
            number, "receive", now_s, fingerprint=fingerprint, files=files, size_bytes=size_bytes
        )

    def hold_back(self, number: int, now_s: float, reason: str) -> bool:
        """The drop cannot be taken, and that lasts."""
        return self._move(number, "hold_back", now_s, reason=reason)

    def replace(self, number: int, now_s: float) -> bool:
        """The drop has a newer state, which has a job of its own."""
        return self._move(number, "replace", now_s)

    def miss(self, number: int, now_s: float) -> bool:
        """The drop left before it was whole and still."""
        return self._move(number, "miss", now_s)

    def publish(self, number: int, now_s: float, /, **columns: Unpack[JobColumns]) -> bool:
        """The package lies whole at its first destination."""
        columns.setdefault("attempts", 0)
        return self._move(number, "publish", now_s, **columns)

    def deliver(self, number: int, now_s: float, /, **columns: Unpack[JobColumns]) -> bool:
        """All that follows publishing is done."""
        return self._move(number, "deliver", now_s, **columns)

    def refuse(
        self, number: int, now_s: float, reason: str, *, verdict: str = "", audio_s: float = 0.0
    ) -> bool:
        """The drop is bad, and its report lies beside it."""
        return self._move(number, "refuse", now_s, reason=reason, verdict=verdict, audio_s=audio_s)

    def wait(
        self,
        number: int,
        now_s: float,
        reason: str,
        wait_s: float,
        /,
        **columns: Unpack[JobColumns],
    ) -> bool:
        """Let a job that is worked on rest, as far as it has come; it is not taken up before."""
        columns["reason"] = reason
        columns["not_before_s"], columns["lease_until_s"] = now_s + wait_s, 0.0
        with self.transaction():
            return self._move(number, "wait_published", now_s, **columns) or self._move(
                number, "wait", now_s, **columns
            )

    def set_aside(self, number: int, now_s: float, reason: str, attempts: int) -> bool:
        """The machine failed too often: a person has to look."""
        return self._move(
            number, "set_aside", now_s, reason=reason, attempts=attempts, lease_until_s=0.0
        )

    def close_job(self, number: int, now_s: float, *, is_gone: bool) -> bool:
        """The drop of a running job is gone, or no longer what was announced."""
        return self._move(number, "close_gone" if is_gone else "close_changed", now_s)

    def wait_for_access(self, number: int, now_s: float, reason: str) -> bool:
        """The drop cannot be read any more; it is taken again once it can."""
        return self._move(
            number, "wait_for_access", now_s, reason=reason, fingerprint="", lease_until_s=0.0
        )

    def retry(self, number: int, now_s: float) -> bool:
        """A person has a job done again, as if nothing had failed."""
        return self._move(
            number, "retry", now_s, reason="a person wants it done again",
            attempts=0, interruptions=0, not_before_s=0.0, lease_until_s=0.0,
        )  # fmt: skip

    def give_up(self, number: int, now_s: float) -> bool:
        """A person has the service do no more about a job."""
        return self._move(number, "give_up", now_s, reason="a person has given it up")

    def _move(self, number: int, way: Way, now_s: float, /, **columns: Unpack[JobColumns]) -> bool:
        """Make one step of ``TRANSITIONS``; False, and nothing done, from any other state."""
        step = TRANSITIONS[way]
        values = {"state": step.after, "reason": "", "changed_s": now_s, **columns}
        settings = ", ".join(f"{column} = ?" for column in values)
        query = f"UPDATE jobs SET {settings} WHERE job = ? AND state IN ({marks(step.before)})"  # noqa: S608
        with self.change() as connection:
            found = connection.execute(query, (*values.values(), number, *step.before))
            if not found.rowcount:
                return False
            add_step(connection, number, now_s)
            add_notice(connection, number, step.notice)
        return True

    def set_fields(self, number: int, /, **fields: Unpack[JobColumns]) -> None:
        """Set columns of a job without a step in its history."""
        settings = ", ".join(f"{column} = ?" for column in fields)
        with self.change() as connection:
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
        with self.change() as connection:
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
            with self.change() as connection:
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
        with self.change() as connection:
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
        with self.change() as connection:
            known = connection.execute("SELECT 1 FROM papers WHERE path = ?", (raw,)).fetchone()
            if known is None and not is_there:
                connection.execute("INSERT INTO papers VALUES (?)", (raw,))
            return known is not None or not is_there

    def notice_sent(self, number: int, kind: str) -> None:
        """Take a notice off the list."""
        with self.change() as connection:
            connection.execute("DELETE FROM notices WHERE job = ? AND kind = ?", (number, kind))
