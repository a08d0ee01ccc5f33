"""What the dropper finds beside the drop: a receipt, or a report that says what to fix.

Everything is first kept in the state folder, then put beside the drop, whole or not at all; both
can be done again. A drop that could not be judged at all gets a report like any other, so that
whoever reads reports by program finds it there.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stemprep import __version__
from stemprep.app.output_files import folder_of, write_whole
from stemprep.checks.unreadable import ID as UNREADABLE
from stemprep.checks.unsafe_entry import ID as UNSAFE_ENTRY
from stemprep.descending import FILE
from stemprep.errors import SpecError, StemprepError
from stemprep.intake import display_path
from stemprep.model.facts import SetFacts
from stemprep.model.finding import Finding
from stemprep.model.report import Report, SongVerdict
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import MeasuredSession, Session
from stemprep.report import render_html, render_json
from stemprep.report.summary import headline
from stemprep.service.delivery_order import package_of
from stemprep.service.jobs import Job, raw_text
from stemprep.service.outcomes import OverLimitError
from stemprep.service.store import Store

_MAKER = b"stemprep"
_LARGEST_BYTES = 64_000_000
_LONGEST_NAME_BYTES = 200  # leaves room for an ending where names end at 255 bytes


def write_paper(store: Store, path: Path, content: bytes | Iterable[bytes], *, folder: int) -> bool:
    """Write or renew a file of the service's among other people's.

    folder: descriptor of the folder that it lies in. Returns False, and leaves it, where somebody
    else's file has that name. Raises OSError.
    """
    is_theirs = is_there(folder, path.name) and not _says_so(path, folder)
    if not store.claim_paper(path, is_there=is_theirs):
        return False
    write_whole(path, content, folder=folder)
    return True


def _says_so(path: Path, folder: int) -> bool:
    """Tell whether a file names us as its maker: the state folder may be newer than the file."""
    return _MAKER in (read_plain(path, _LARGEST_BYTES, folder=folder) or b"")


def read_plain(path: Path, most_bytes: int, *, folder: int | None = None) -> bytes | None:
    """Content of a regular file among other people's; None for links, pipes, and larger files.

    Never waits for a pipe that takes the file's place meanwhile. folder: as for ``write_whole``.
    Raises OSError.
    """
    try:
        with folder_of(path, folder) as inside:
            descriptor = os.open(path.name, FILE, dir_fd=inside)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENOENT, errno.ENXIO):
            return None
        raise
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            return None
        with open(descriptor, "rb", closefd=False) as stream:  # a descriptor
            content = stream.read(most_bytes + 1)
    finally:
        os.close(descriptor)
    return content if len(content) <= most_bytes else None


def remove_paper(store: Store, path: Path, *, folder: int) -> None:
    """Remove a file that the service has written; nobody else's. Raises OSError."""
    if not store.is_our_paper(path) or not is_there(folder, path.name):
        return
    status = os.stat(path.name, dir_fd=folder, follow_symlinks=False)
    if stat.S_ISREG(status.st_mode):
        os.unlink(path.name, dir_fd=folder)
        os.fsync(folder)


def is_there(folder: int, name: str) -> bool:
    """Tell whether anything has this name in an open folder. Raises OSError but for that."""
    try:
        os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True


def paper_beside(inbox: Path, raw_name: bytes, label: str, ending: str) -> Path:
    """Where a result of a drop is written: NAME.report.json, or NAME.SPEC.report.json.

    label: the spec's name in an inbox that has several, else "". A name too long for the ending
    is cut, with a digest that tells it from its like.
    """
    name = raw_name
    if len(name) > _LONGEST_NAME_BYTES:
        digest = hashlib.sha256(raw_name).hexdigest()[:8]
        name = name[: _LONGEST_NAME_BYTES - 9].decode("utf-8", "ignore").encode()
        name += b"~" + digest.encode()
    return inbox / f"{raw_text(name)}{f'.{label}' if label else ''}{ending}"


_ADVICE = "put that right in the drop; it is checked again by itself"


def unjudged_report(name: str, drop: Path, spec: DeliverySpec, error: StemprepError) -> Report:
    """The report that says why nothing could be judged; its only findings are the error's lines."""
    session = Session(name=name, root=str(drop), archive=None, entries=(), files=(), songs=())
    lines = error.problems if isinstance(error, SpecError) else (str(error),)
    return Report(
        stemprep_version=__version__,
        spec_name=spec.name,
        spec_title=spec.title,
        spec_sha256=spec.sha256,
        measured=MeasuredSession(session=session, files=()),
        set_facts=SetFacts(),
        findings=tuple(_finding(line, error, drop) for line in lines),
        verdict="fail",
        songs=(SongVerdict(song="", verdict="fail"),),
    )


def _finding(line: str, error: StemprepError, drop: Path) -> Finding:
    shown = display_path(os.fsencode(drop))
    message, _, advice = line.removeprefix(f"{shown}: ").rpartition("; ")
    is_sheet = isinstance(error, SpecError)
    return Finding(
        check=UNSAFE_ENTRY if isinstance(error, OverLimitError) else UNREADABLE,
        severity="fail",
        file="session.yaml" if is_sheet else None,
        files=("session.yaml",) if is_sheet else (),
        message=message or line,
        advice=advice if message else _ADVICE,
    )


RECEIPT_PAGE, RECEIPT_NOTE = ".receipt.html", ".receipt.txt"
REPORT_DATA, REPORT_PAGE = ".report.json", ".report.html"
_PAGE_INSIDE = "data/report/qc-report.html"
_NOTE_INSIDE = "data/delivery-note.txt"


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """Results of one job.

    label:  the spec's name where an inbox has several, else "".
    folder: where the service keeps them.
    """

    store: Store
    job: Job
    spec: DeliverySpec
    label: str
    folder: Path

    def prepare_receipt(self, report: Report) -> None:
        """Keep the QC report of a package that is about to appear. Raises OSError."""
        self._keep(RECEIPT_PAGE, render_html(report).encode())

    def deliver(self, job: Job, inbox: int) -> None:
        """Put QC report and delivery note beside the drop; an older refusal is taken away.

        inbox: descriptor of the folder that the drop lies in. Raises OSError where the disk or
        share refuses.
        """
        package = package_of(job)
        kept = self.folder / f"result{RECEIPT_PAGE}"
        page = kept if kept.is_file() else package / _PAGE_INSIDE
        self._put(RECEIPT_PAGE, page.read_bytes(), inbox)
        self._put(RECEIPT_NOTE, (package / _NOTE_INSIDE).read_bytes(), inbox)
        for ending in (REPORT_DATA, REPORT_PAGE):
            remove_paper(self.store, self._beside(ending), folder=inbox)

    def refuse(self, report: Report, inbox: int) -> None:
        """Put the report beside the drop. Raises OSError where the disk or share refuses.

        inbox: as for ``deliver``.
        """
        papers = {REPORT_DATA: render_json(report), REPORT_PAGE: render_html(report)}
        for ending, text in papers.items():
            self._keep(ending, text.encode())
        for ending, text in papers.items():
            self._put(ending, text.encode(), inbox)

    def forget(self) -> None:
        """Remove what was kept of a job that is delivered: package and receipt tell it all."""
        with suppress(OSError):
            for path in self.folder.iterdir():
                path.unlink()
            self.folder.rmdir()

    def report_on(self, error: StemprepError) -> Report:
        """The report on a drop that could not be judged."""
        return unjudged_report(self.job.name, self.job.drop, self.spec, error)

    def headline(self, report: Report) -> str:
        """What to do, one line."""
        return headline(report).to_do

    def _keep(self, ending: str, content: bytes) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        write_whole(self.folder / f"result{ending}", content)

    def _put(self, ending: str, content: bytes, inbox: int) -> None:
        """Write beside the drop what is not there yet in just this form."""
        path = self._beside(ending)
        if read_plain(path, len(content), folder=inbox) != content:
            write_paper(self.store, path, content, folder=inbox)

    def _beside(self, ending: str) -> Path:
        return paper_beside(self.job.inbox, self.job.raw_name, self.label, ending)
