"""Whether the service is alive and could do its work; what is wrong is said with its remedy.

Alive is told by a heartbeat: a file in the state folder that the service touches each time it goes
round. A process that hangs, on a share that gives no answer for example, holds its lock for ever.
What waits for a person, and how the jobs of the last day stand, is read from the store alone.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from stemprep.errors import StemprepError
from stemprep.model.service import ServiceConfig
from stemprep.report.figures import plural, size
from stemprep.service.inbox.unreadable import words_without_place
from stemprep.service.jobs import Job
from stemprep.service.place_making import place_states
from stemprep.service.store import Store
from stemprep.service.store_rows import count_of, seconds_of

HEARTBEAT_FILE = "alive"
HEARTBEAT_PACE_S = 5.0


class Heartbeat:
    """Given by the service's own loop; a disk that refuses it does not stop the service."""

    def __init__(self, state: Path) -> None:
        self._path = state / HEARTBEAT_FILE
        self._due_s = 0.0

    def beat(self) -> None:
        """Touch the file, every few seconds."""
        now_s = time.monotonic()
        if now_s < self._due_s:
            return
        self._due_s = now_s + HEARTBEAT_PACE_S
        with suppress(OSError):
            self._path.write_text(f"{os.getpid()}\n", encoding="ascii")

    def end(self) -> None:
        """Say that the service has ended as it was asked to."""
        with suppress(OSError):
            self._path.unlink(missing_ok=True)


def heartbeat_age_s(state: Path, now_s: float) -> float | None:
    """Seconds since the last sign; None where there is none. now_s: since 1970."""
    try:
        return max(0.0, now_s - (state / HEARTBEAT_FILE).stat().st_mtime)
    except OSError:
        return None


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


SILENT_S = 120.0
"""So long without a sign of life, and the service is taken to hang."""
LOW_SPACE_BYTES = 1_000_000_000
LONG_WAIT_S = 3600.0
MOST_UNREAD = 3
"""So many drops that cannot be read are told in full, the others by their number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """How the service and its jobs stand.

    problems: the service cannot do its work. notes: it can, but a person should look.
    jobs:     how many are in each state.
    unread:   the jobs of drops that cannot be read.
    """

    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    jobs: dict[str, int]
    last_day: LastDay = field(default_factory=LastDay)
    late: Late = field(default_factory=Late)
    unread: tuple[Job, ...] = ()

    @property
    def is_well(self) -> bool:
        """Whether nothing has to be mended."""
        return not self.problems


def examine(config: ServiceConfig, now_s: float) -> Health:
    """Look at the service of a config from outside. now_s: seconds since 1970.

    What became of single jobs is never a problem: a supervisor would start the service again,
    which mends none of them.
    """
    problems = _life(config.state, now_s) + _low_space(f"state folder {config.state}", config.state)
    found = Health(jobs={})
    try:
        with Store(config.state, "read") as store:
            found = Health(
                jobs=store.counts_by_state(),
                last_day=last_day(store, now_s),
                late=late(store, now_s, LONG_WAIT_S),
                unread=tuple(unread(store)),
            )
            problems += _places(config, store)
    except StemprepError as error:
        problems.append(str(error))
    return replace(found, problems=tuple(problems), notes=tuple(_notes(found)))


def _life(state: Path, now_s: float) -> list[str]:
    age_s = heartbeat_age_s(state, now_s)
    if age_s is None:
        return [f"{state}: no service works with this state folder; start stemprep watch"]
    if age_s > SILENT_S:
        return [
            f"the service has given no sign of life for {age_s:.0f} s: it has died, or a disk or "
            "share that it waits for gives no answer; look at the shares, then start it again"
        ]
    return []


def _places(config: ServiceConfig, store: Store) -> list[str]:
    """Places that are away, and those that soon will be for want of room."""
    problems = []
    for state in place_states(config, store):
        if state.away:
            problems.append(f"{state.away}; jobs that need it wait")
        elif "inbox" in state.place.roles and not os.access(state.place.path, os.W_OK):
            problems.append(
                f"{state.place.shown}: cannot be written to, so no report can be laid beside a "
                "drop; give the service write permission"
            )
        else:
            problems += _low_space(state.place.shown, state.place.path)
    return problems


def _low_space(shown: str, place: Path) -> list[str]:
    try:
        free_bytes = shutil.disk_usage(place).free
    except OSError:
        return []
    if free_bytes >= LOW_SPACE_BYTES:
        return []
    return [f"{shown}: {size(free_bytes)} free; make room, jobs wait without it"]


def _notes(health: Health) -> list[str]:
    day, late_ones = health.last_day, health.late
    notes = []
    if aside := health.jobs.get("set-aside", 0):
        of_day = f", {day.set_aside:,} of them in the last day" if day.set_aside else ""
        if day.set_aside and day.set_aside == day.ended:
            of_day = f", among them all {day.ended:,} that ended in the last day"
        notes.append(
            f"{plural(aside, 'job')} set aside after repeated faults of the machine{of_day}; "
            "'stemprep jobs' lists them, 'stemprep jobs retry --state set-aside' tries all again"
        )
    notes += _unread_notes(health.unread)
    if late_ones.jobs:
        notes.append(
            f"{plural(late_ones.jobs, 'job')} waiting for more than {LONG_WAIT_S / 3600:.0f} hour, "
            f"the oldest for {late_ones.oldest_s / 3600:.1f} hours; 'stemprep jobs' says why"
        )
    return notes


def _unread_notes(jobs: Sequence[Job]) -> list[str]:
    """Where, what, what is required, what to do; the drop's name stands in the list of jobs."""
    notes = [
        f"inbox {job.inbox}, job {job.job}: its drop {words_without_place(job.reason)}; "
        f"'stemprep jobs show {job.job}' tells the place"
        for job in jobs[:MOST_UNREAD]
    ]
    more = len(jobs) - MOST_UNREAD
    if more > 0:
        drops = "1 more drop" if more == 1 else f"{more:,} more drops"
        notes.append(f"{drops} cannot be read; 'stemprep jobs' tells of each")
    return notes
