"""Whether the service is alive and could do its work; what is wrong is said with its remedy."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from stemprep.errors import StemprepError
from stemprep.model.service import Inbox, ServiceConfig
from stemprep.report.figures import plural, size
from stemprep.service import sign_of_life
from stemprep.service.store import Store

SILENT_S = 120.0
"""So long without a sign of life, and the service is taken to hang."""
LOW_SPACE_BYTES = 1_000_000_000
LONG_WAIT_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """problems: the service cannot do its work. notes: it can, but a person should look."""

    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    jobs: dict[str, int]

    @property
    def is_well(self) -> bool:
        """Whether nothing has to be mended."""
        return not self.problems


def examine(config: ServiceConfig, now_s: float) -> Health:
    """Look at the service of a config from outside. now_s: seconds since 1970."""
    problems = [*_life(config.state, now_s), *_places(config)]
    notes: list[str] = []
    jobs: dict[str, int] = {}
    try:
        with Store(config.state, "read") as store:
            jobs = store.counts_by_state()
            notes = _notes(jobs, store.oldest_waiting_s(now_s))
    except StemprepError as error:
        problems.append(str(error))
    return Health(problems=tuple(problems), notes=tuple(notes), jobs=jobs)


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


def _places(config: ServiceConfig) -> list[str]:
    problems = _low_space("state folder", config.state)
    for inbox in config.inboxes:
        problems += _readable(inbox)
    for destination in config.destinations:
        problems += _writable("destination", destination)
    for archive in {inbox.archive for inbox in config.inboxes if inbox.archive is not None}:
        problems += _writable("archive", archive)
    return problems


def _readable(inbox: Inbox) -> list[str]:
    try:
        with os.scandir(inbox.path) as listing:
            next(listing, None)
    except OSError as error:
        return [
            f"inbox {inbox.path}: cannot be listed ({error.strerror}); mount its share, or give "
            "the service read permission"
        ]
    if not os.access(inbox.path, os.W_OK):
        return [
            f"inbox {inbox.path}: cannot be written to, so no report can be laid beside a drop; "
            "give the service write permission"
        ]
    return []


def _writable(what: str, place: Path) -> list[str]:
    if not place.is_dir():
        return [f"{what} {place}: is not there; mount its share, or make the folder"]
    if not os.access(place, os.W_OK):
        return [f"{what} {place}: cannot be written to; give the service write permission"]
    return _low_space(what, place)


def _low_space(what: str, place: Path) -> list[str]:
    try:
        free_bytes = shutil.disk_usage(place).free
    except OSError:
        return []
    if free_bytes >= LOW_SPACE_BYTES:
        return []
    return [f"{what} {place}: {size(free_bytes)} free; make room, jobs wait without it"]


def _notes(jobs: dict[str, int], oldest_s: float) -> list[str]:
    notes = []
    if aside := jobs.get("set-aside", 0):
        notes.append(
            f"{plural(aside, 'job')} set aside after repeated faults of the machine; "
            "'stemprep jobs' lists them, 'stemprep jobs retry NUMBER' tries again"
        )
    if oldest_s >= LONG_WAIT_S:
        notes.append(f"the oldest drop has waited for {oldest_s / 3600:.1f} hours")
    return notes
