"""Places that are away: whose jobs wait for them, who is told of it and when, and their return.

A job that waits for a place is taken up no more until the place is back, so an outage costs neither
attempts nor work. Its reason in the list of jobs begins with ``WAITING``. When a place returns,
what a service that died has left in it is removed; nobody else's.
"""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Callable, Collection, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from stemprep.descending import FOLDER
from stemprep.model.service import Inbox, ServiceConfig
from stemprep.package import empty_folder, opened
from stemprep.service.inbox.drop_names import INCOMING
from stemprep.service.places import AwayError, Place, Places, places_of
from stemprep.service.store import Store
from stemprep.service.store_rows import Blocked, add_notice, count_of


def sweep_staging(folder: int, service_id: str, held: Collection[int] = ()) -> list[str]:
    """Remove staging folders of this service's jobs but for those that are worked on.

    folder: descriptor of a destination, an archive or the state folder. held: jobs that somebody
    works on. A folder that is locked is left. Returns the names that were removed.
    """
    ours, removed = f"{INCOMING}{service_id}-", []
    with suppress(OSError):  # a share that goes away has nothing that could be in the way
        for name in os.listdir(folder):
            if not name.startswith(ours):
                continue
            job = name.removeprefix(ours).partition("-")[0]  # its unpacked zip has a longer name
            if job not in map(str, held) and _removed(folder, name):
                removed.append(name)
    return removed


def _removed(folder: int, name: str) -> bool:
    with suppress(OSError), opened(folder, name, FOLDER) as descriptor:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
                return False
        empty_folder(descriptor)
        os.rmdir(name, dir_fd=folder)
        return True
    return False


NOTICE_AFTER_S = 300.0
"""An outage shorter than this is in the list of jobs and in ``health``, and nobody is sent word."""
WAITING = "waits, which counts no attempt: "
_WAITS = f"{WAITING}%"


@dataclass(slots=True, kw_only=True)
class Outages:
    """What the loop knows of the places; not to be shared between threads.

    blocked: whose jobs cannot be taken up, as of the last ``examine``.
    """

    config: ServiceConfig
    store: Store
    places: Places
    blocked: Blocked = field(default_factory=Blocked)
    _all: tuple[Place, ...] = field(init=False)
    _away: dict[Path, str] = field(default_factory=dict)
    _since_s: dict[Path, float] = field(default_factory=dict)
    _noticed: set[Path] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._all = places_of(self.config)

    def begin(self) -> None:
        """Clear every place of what a service before this one has left, and try all jobs again."""
        for place in self._all:
            self._sweep(place.path, ())
        self._let_go(inbox.path for inbox in self.config.inboxes)

    def examine(self, now_s: float, held: Collection[int], *, is_last_look: bool) -> None:
        """Look at every place; note at jobs why they wait, and let those go on that can.

        now_s: seconds since 1970. held: jobs that are worked on. is_last_look: nobody looks again
        soon, so that what would be told after a while is told now.
        """
        before, self._away = self._away, self._found()
        for number, place in enumerate(self._all, start=1):
            is_away, was_away = place.path in self._away, place.path in before
            if is_away and not was_away and "inbox" not in place.roles:  # arrivals tell of those
                _log().error("place away", place=number, reason=self._reason(place))
            if was_away and not is_away:
                _log().info("place is back", place=number)
                self._sweep(place.path, held)
        begun, finished = self._blocking(_to_begin), self._blocking(_to_finish)
        freed = [path for path in self.blocked.waiting if path not in begun]
        freed += [path for path in self.blocked.published if path not in finished]
        self._let_go(freed)
        self._note("waiting", begun)
        self._note("published", finished)
        self.blocked = Blocked(waiting=tuple(begun), published=tuple(finished))
        self._send_notices(now_s, held, is_last_look=is_last_look)

    @property
    def is_any_away(self) -> bool:
        """Whether a place was away at the last look."""
        return bool(self._away)

    def _found(self) -> dict[Path, str]:
        reasons = {place.path: self.places.why_away(place.path) for place in self._all}
        return {path: reason for path, reason in reasons.items() if reason}

    def _reason(self, place: Place) -> str:
        """Why it is away, without its path: the log names no folder but by number."""
        return self._away[place.path].replace(f" {place.path}", "")

    def _sweep(self, path: Path, held: Collection[int]) -> None:
        try:
            with self.places.opened(path) as place:
                sweep_staging(place.descriptor, self.store.service_id, held)
        except AwayError:
            return  # it is swept when it is back

    def _blocking(self, needed: Callable[[Inbox], Iterable[Path]]) -> dict[Path, str]:
        """Inboxes whose jobs need a place that is away, with the first reason.

        needed: the places that an inbox's jobs need.
        """
        found = {}
        for inbox in self.config.inboxes:
            reasons = [self._away[path] for path in needed(inbox) if path in self._away]
            if reasons:
                found[inbox.path] = reasons[0]
        return found

    def _note(self, state: str, blocked: dict[Path, str]) -> None:
        """Put the reason into the list of jobs, where it does not stand there."""
        for inbox, reason in blocked.items():
            where = "inbox = ? AND state = ? AND lease_until_s = 0 AND reason != ?"
            values = (os.fsencode(inbox), state, WAITING + reason)
            if self.store.rows(f"SELECT 1 FROM jobs WHERE {where} LIMIT 1", values):  # noqa: S608
                with self.store.transaction() as connection:
                    connection.execute(
                        f"UPDATE jobs SET reason = ? WHERE {where}",  # noqa: S608 - our own words
                        (WAITING + reason, *values),
                    )

    def _let_go(self, inboxes: Iterable[Path]) -> None:
        """Have the jobs that waited for a place taken up now."""
        for inbox in inboxes:
            where = "inbox = ? AND state IN ('waiting', 'published') AND reason LIKE ?"
            values = (os.fsencode(inbox), _WAITS)
            if self.store.rows(f"SELECT 1 FROM jobs WHERE {where} LIMIT 1", values):  # noqa: S608
                with self.store.transaction() as connection:
                    connection.execute(
                        f"UPDATE jobs SET reason = '', not_before_s = 0 WHERE {where}",  # noqa: S608
                        values,
                    )

    def _send_notices(self, now_s: float, held: Collection[int], *, is_last_look: bool) -> None:
        """Send word of the oldest job that waits in an inbox, once an outage that lasts."""
        waiting = dict(
            self.store.read(
                "SELECT inbox, min(job) AS job FROM jobs WHERE state IN ('waiting', 'published') "
                "AND reason LIKE ? GROUP BY inbox",
                (_WAITS,),
                lambda row: (Path(os.fsdecode(row["inbox"])), count_of(row["job"])),
            )
        )
        for inbox in self._since_s.keys() - waiting.keys():
            if not held:  # one that is tried just now says nothing
                del self._since_s[inbox]
                self._noticed.discard(inbox)
        for inbox, job in waiting.items():
            since_s = self._since_s.setdefault(inbox, now_s)
            is_due = is_last_look or now_s - since_s >= NOTICE_AFTER_S
            if is_due and inbox not in self._noticed:
                self._noticed.add(inbox)
                with self.store.transaction() as connection:
                    add_notice(connection, job, "away")


def _to_begin(inbox: Inbox) -> Iterable[Path]:
    return (inbox.path, inbox.deliver_to[0])


def _to_finish(inbox: Inbox) -> Iterable[Path]:
    return (inbox.path, *inbox.deliver_to, *((inbox.archive,) if inbox.archive else ()))


def _log() -> structlog.typing.FilteringBoundLogger:
    log: structlog.typing.FilteringBoundLogger = structlog.get_logger()
    return log
