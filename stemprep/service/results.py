"""What the dropper finds beside the drop: a receipt, or a report that says what to fix.

Everything is first kept in the state folder, then put beside the drop; both can be done again.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stemprep.app.output_files import write_whole
from stemprep.errors import StemprepError
from stemprep.model.report import Report
from stemprep.model.rule import DeliverySpec
from stemprep.report import render_html, render_json
from stemprep.report.summary import headline
from stemprep.service.jobs import Job
from stemprep.service.ordering import package_of
from stemprep.service.papers import (
    paper_beside,
    read_plain,
    remove_paper,
    write_paper,
)
from stemprep.service.refusing import unjudged_report
from stemprep.service.store import Store

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
