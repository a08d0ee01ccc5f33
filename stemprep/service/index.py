"""``index.html`` in a destination: its sessions, verdicts and deliveries, with links to reports.

Made anew from the store as a whole, so it is never wrong for longer than until the next job.
"""

from __future__ import annotations

import io
import os
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from urllib.parse import quote

from stemprep.model.service import Inbox, ServiceConfig
from stemprep.report import SessionRow, render_sessions
from stemprep.service.jobs import Job, State
from stemprep.service.places import AwayError, OpenPlace, Places
from stemprep.service.result_files import REPORT_PAGE, paper_beside, write_paper
from stemprep.service.store import Store
from stemprep.service.store_file import DamagedStoreError

INDEX_FILE = "index.html"
RETRY_S = 30.0
REST_PER_PAGE = 20.0  # a page of a busy year takes its time; jobs go first
MOST_ROWS = 20_000
PIECE_CHARACTERS = 65_536
_LISTED: tuple[State, ...] = ("published", "delivered", "refused", "set-aside")
_WORDS = {"set-aside": "not judged", "published": "being published"}


class Indexes:
    """Keeps the pages of all destinations up to date; at the start none is known to be."""

    def __init__(self, config: ServiceConfig, store: Store, places: Places) -> None:
        self._config = config
        self._store = store
        self._places = places
        self._stale = set(config.destinations)
        self._refused: set[Path] = set()
        self._due_s = 0.0
        self._rested_s = 0.0

    @property
    def are_stale(self) -> bool:
        """Whether a page is to be made that was not refused the last time."""
        return bool(self._stale - self._refused)

    def outdate(self, job: Job) -> None:
        """Have the pages made anew that tell of a job."""
        for inbox in self._config.inboxes:
            if inbox.path == job.inbox:
                self._stale.update(inbox.deliver_to)
                self._refused.difference_update(inbox.deliver_to)
                self._due_s = min(self._due_s, self._rested_s)

    def rebuild(self, words_of: Callable[[Exception], str]) -> Iterator[str]:
        """Make what is out of date, unless that was done just now; give troubles in words."""
        begun_s = time.monotonic()
        if not self._stale or begun_s < self._due_s:
            return
        for destination in sorted(self._stale):
            try:
                if not self._rebuild(destination):
                    yield "index.html in a destination is somebody else's and was left"
                self._stale.discard(destination)
            except DamagedStoreError:
                raise
            except AwayError:  # the page is made when the place is back
                self._refused.add(destination)
            except Exception as error:  # no page is worth the service
                self._refused.add(destination)
                yield f"index.html could not be written: {words_of(error)}"
        ended_s = time.monotonic()
        self._rested_s = ended_s + REST_PER_PAGE * (ended_s - begun_s)
        self._due_s = max(self._rested_s, ended_s + RETRY_S if self._stale else 0.0)

    def _rebuild(self, destination: Path) -> bool:
        with self._places.opened(destination) as place:
            is_written = rebuild_index(self._config, self._store, place)
            place.require_same()  # else it may say that packages are not there
            return is_written


def rebuild_index(config: ServiceConfig, store: Store, place: OpenPlace) -> bool:
    """Write the page; False where a file that is not ours has its name. Raises OSError."""
    destination = place.path
    inboxes = {inbox.path: inbox for inbox in config.inboxes if destination in inbox.deliver_to}
    rows = (
        _row(job, inboxes[job.inbox], destination)
        for job in store.newest_first(_LISTED)
        if job.inbox in inboxes and _stands(store, job)
    )
    page = render_sessions(destination.name or str(destination), islice(rows, MOST_ROWS))
    path = destination / INDEX_FILE
    return write_paper(store, path, _pieces(page), folder=place.descriptor)


def _pieces(texts: Iterable[str]) -> Iterator[bytes]:
    """The same text in pieces worth writing: the page of a busy year is never in memory whole."""
    held = io.StringIO()
    for text in texts:
        held.write(text)
        if held.tell() >= PIECE_CHARACTERS:
            yield held.getvalue().encode()
            held = io.StringIO()
    yield held.getvalue().encode()


def _stands(store: Store, job: Job) -> bool:
    """Tell whether a job is listed: a delivery always, all else while the drop has no newer job."""
    if job.state in ("published", "delivered"):
        return True
    latest = store.latest(job.inbox, job.raw_name, job.spec)
    return latest is not None and latest.job == job.job


def _row(job: Job, inbox: Inbox, destination: Path) -> SessionRow:
    is_delivered = job.state in ("published", "delivered")
    package = destination / job.package
    is_here = is_delivered and package.is_dir()
    report = package / "data/report/qc-report.html"
    if not is_delivered:
        label = Path(job.spec).stem if len(inbox.specs) > 1 else ""
        report = paper_beside(job.inbox, job.raw_name, label, REPORT_PAGE)
    return SessionRow(
        job=job.job,
        drop=job.name,
        spec=Path(job.spec).stem,
        verdict=job.verdict or _WORDS.get(job.state, job.state),
        remark=job.reason,
        number=job.number,
        package=job.package if is_delivered else "",
        package_link=_link(package, destination) if is_here else "",
        report_link=_link(report, destination) if report.is_file() else "",
        when=datetime.fromtimestamp(job.changed_s, UTC).strftime("%Y-%m-%d %H:%M UTC"),
    )


def _link(target: Path, destination: Path) -> str:
    """Relative, so that it holds wherever the share is mounted."""
    return quote(os.fsencode(os.path.relpath(target, destination)))
