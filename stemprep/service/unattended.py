"""What waits for a person, and how the jobs of the last day stand; read from the store alone."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import dataclass

from stemprep.service.closed import words_without_place
from stemprep.service.jobs import Job
from stemprep.service.store import Store
from stemprep.service.store_rows import count_of, seconds_of

DAY_S = 86_400.0
_NEWEST = (
    "NOT EXISTS (SELECT 1 FROM jobs AS newer WHERE newer.inbox = jobs.inbox "
    "AND newer.raw_name = jobs.raw_name AND newer.spec = jobs.spec AND newer.job > jobs.job)"
)
_IS_HELD = "state = 'arriving' AND reason != ''"
_IS_UNREAD = "reason LIKE '%: cannot be read (%'"


@dataclass(frozen=True, slots=True, kw_only=True)
class LastDay:
    """Jobs that something happened to in the last 24 hours, by how they stand now.

    jobs:    all, but for those whose drop has changed or gone since.
    ended:   delivered, refused or set aside.
    The others wait for a person; of refused ones those whose drop still lies there uncorrected.
    """

    jobs: int = 0
    ended: int = 0
    set_aside: int = 0
    refused: int = 0
    held_back: int = 0

    @property
    def waiting(self) -> int:
        """How many wait for a person."""
        return self.set_aside + self.refused + self.held_back


@dataclass(frozen=True, slots=True, kw_only=True)
class Late:
    """Drops that wait for longer than told: their number, the age of the oldest in seconds."""

    jobs: int = 0
    oldest_s: float = 0.0


def last_day(store: Store, now_s: float) -> LastDay:
    """How the jobs of the last day stand. now_s: seconds since 1970."""
    since_s = now_s - DAY_S
    counts = dict(
        store.read(
            f"SELECT CASE WHEN {_IS_HELD} THEN 'held' ELSE state END AS standing, "  # noqa: S608 - ours
            "count(*) AS jobs FROM jobs WHERE changed_s >= ? AND state NOT IN ('changed', 'gone') "
            "GROUP BY standing",
            (since_s,),
            lambda row: (str(row["standing"]), count_of(row["jobs"])),
        )
    )
    ended = ("delivered", "refused", "set-aside")
    refused = store.read_jobs(
        f"SELECT * FROM jobs WHERE state = 'refused' AND changed_s >= ? AND {_NEWEST}",  # noqa: S608
        (since_s,),
    )
    return LastDay(
        jobs=sum(counts.values()),
        ended=sum(counts.get(state, 0) for state in ended),
        set_aside=counts.get("set-aside", 0),
        refused=sum(os.path.lexists(job.drop) for job in refused),
        held_back=counts.get("held", 0),
    )


def unread(store: Store) -> list[Job]:
    """One job of each drop that cannot be read, by number, whenever that was found."""
    jobs = store.read_jobs(
        f"SELECT * FROM jobs WHERE ({_IS_HELD} OR state = 'refused') "  # noqa: S608 - ours
        f"AND {_IS_UNREAD} AND {_NEWEST} ORDER BY job DESC"
    )
    first = {(job.inbox, job.raw_name): job for job in jobs}
    by_number = sorted(first.values(), key=lambda job: job.job)
    return [
        job for job in by_number if words_without_place(job.reason) and os.path.lexists(job.drop)
    ]


def late(store: Store, now_s: float, longest_s: float) -> Late:
    """Drops still to be worked off or held back that came longer ago; unread ones do not count."""

    def record(row: sqlite3.Row) -> Late:
        jobs = count_of(row["jobs"])
        return Late(jobs=jobs, oldest_s=now_s - seconds_of(row["oldest_s"]) if jobs else 0.0)

    query = (
        "SELECT count(*) AS jobs, min(received_s) AS oldest_s FROM jobs WHERE received_s <= ? "  # noqa: S608
        f"AND (state IN ('waiting', 'running', 'published') OR {_IS_HELD} AND NOT {_IS_UNREAD})"
    )
    return store.read(query, (now_s - longest_s,), record)[0]
