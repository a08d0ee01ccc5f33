"""``index.html`` in a destination: its sessions, verdicts and deliveries, with links to reports.

Made anew from the store as a whole, so it is never wrong for longer than until the next job.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from stemprep.model.service import Inbox, ServiceConfig
from stemprep.report import SessionRow, render_sessions
from stemprep.service.jobs import Job, State
from stemprep.service.papers import paper_beside, write_paper
from stemprep.service.results import REPORT_PAGE
from stemprep.service.store import Store

INDEX_FILE = "index.html"
PACE_S = 30.0
MOST_ROWS = 2000
_LISTED: tuple[State, ...] = ("published", "delivered", "refused", "set-aside")
_WORDS = {"set-aside": "not judged", "published": "being published"}


class Indexes:
    """Keeps the pages of all destinations up to date; at the start none is known to be."""

    def __init__(self, config: ServiceConfig, store: Store) -> None:
        self._config = config
        self._store = store
        self._stale = set(config.destinations)
        self._refused: set[Path] = set()
        self._due_s = 0.0

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
        self._due_s = 0.0

    def rebuild(self, words_of: Callable[[Exception], str]) -> Iterator[str]:
        """Make what is out of date, soon after a job and then every half minute; give troubles."""
        now_s = time.monotonic()
        if not self._stale or now_s < self._due_s:
            return
        self._due_s = now_s + PACE_S
        for destination in sorted(self._stale):
            try:
                if not rebuild_index(self._config, self._store, destination):
                    yield "index.html in a destination is somebody else's and was left"
                self._stale.discard(destination)
            except Exception as error:  # no page is worth the service
                self._refused.add(destination)
                yield f"index.html could not be written: {words_of(error)}"


def rebuild_index(config: ServiceConfig, store: Store, destination: Path) -> bool:
    """Write the page; False where a file that is not ours has its name.

    A destination that is not there yet gets none. Raises OSError.
    """
    if not destination.is_dir():
        return True
    inboxes = {inbox.path: inbox for inbox in config.inboxes if destination in inbox.deliver_to}
    rows = [
        _row(job, inboxes[job.inbox], destination)
        for job in _standing(store.jobs(_LISTED, newest=MOST_ROWS))
        if job.inbox in inboxes
    ]
    page = render_sessions(destination.name or str(destination), rows)
    return write_paper(store, destination / INDEX_FILE, page.encode())


def _standing(jobs: list[Job]) -> Iterator[Job]:
    """Every delivery, and what has become of a drop last; newest first."""
    seen = set()
    for job in reversed(jobs):
        drop = (job.inbox, job.raw_name, job.spec)
        if job.state in ("published", "delivered") or drop not in seen:
            yield job
        seen.add(drop)


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
