"""Whether the service is alive and could do its work; what is wrong is said with its remedy."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from stemprep.errors import StemprepError
from stemprep.model.service import ServiceConfig
from stemprep.report.figures import plural, size
from stemprep.service import sign_of_life
from stemprep.service.closed import words_without_place
from stemprep.service.jobs import Job
from stemprep.service.place_making import place_states
from stemprep.service.store import Store
from stemprep.service.unattended import LastDay, Late, last_day, late, unread

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
    told = Health(jobs={})
    try:
        with Store(config.state, "read") as store:
            told = Health(
                jobs=store.counts_by_state(),
                last_day=last_day(store, now_s),
                late=late(store, now_s, LONG_WAIT_S),
                unread=tuple(unread(store)),
            )
            problems += _places(config, store)
    except StemprepError as error:
        problems.append(str(error))
    return replace(told, problems=tuple(problems), notes=tuple(_notes(told)))


def _life(state: Path, now_s: float) -> list[str]:
    age_s = sign_of_life.age_s(state, now_s)
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
