"""The report as plain text for a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.report import Report
from stemprep.model.words import Severity
from stemprep.report import amendment, figures
from stemprep.report.brief import since_words
from stemprep.report.causes import (
    Cause,
    against_words,
    causes,
    files_of,
    message_of,
    place_words,
    standing,
)
from stemprep.report.layout import Page, columns, pad
from stemprep.report.receipt import put_receipt
from stemprep.report.summary import (
    SongLine,
    checked_against,
    figures_of,
    headline,
    set_heading,
    set_lines,
    song_lines,
    waiver_words,
)

Formats = Mapping[str, AudioFormat | None]

HEADINGS: Mapping[Severity, str] = {
    "fail": "Must be put right (fail)",
    "warn": "To be decided (warn)",
    "note": "Good to know (note)",
}
MAX_TITLE_COLUMNS = 24


def render_text(report: Report, *, width: int = 80, is_color: bool = False) -> str:
    """Write the whole report as text; no line is wider than ``width`` columns (at least 40).

    is_color: set headings in bold for a terminal; no meaning is carried by it.
    """
    page = Page(width=width, is_color=is_color)
    formats = {file.path: file.facts.format for file in report.measured.files}
    found = causes(standing(report), report.cured)
    _put_head(page, report)
    for severity in ("fail", "warn"):
        _put_causes(page, [cause for cause in found if cause.severity == severity], formats)
    _put_blockers(page, report, formats)
    _put_repaired(page, report, formats)
    _put_songs(page, song_lines(report))
    _put_set(page, report)
    _put_waived(page, report, formats)
    _put_notes(page, [cause for cause in found if cause.severity == "note"])
    if report.receipt is not None:
        put_receipt(page, report.receipt)
    _put_remarks(page, report.notes)
    return page.text()


def _put_head(page: Page, report: Report) -> None:
    head = headline(report)
    page.strong_fact("Verdict", head.verdict)
    page.fact("To do", head.to_do)
    page.fact("Package", head.package)
    _put_since(page, report)
    if report.amendment is not None:
        page.fact(amendment.label(report.amendment), amendment.amendment_words(report.amendment))
    page.blank()
    page.put(f"{checked_against(report)}.")
    if told := figures_of(report):
        page.put(told)


def _put_since(page: Page, report: Report) -> None:
    """Each finding of the earlier report that is gone, still there, or new."""
    if report.since is None:
        return
    page.fact("Since", since_words(report.since).removeprefix("Since "))
    told = (("fixed", report.since.fixed), ("still", report.since.still), ("new", report.since.new))
    for word, places in told:
        for check, path in places:
            page.put(f"{check}, {path or 'the whole set'}", f"{'':10}{word:6}")


def _put_causes(page: Page, found: Sequence[Cause], formats: Formats) -> None:
    if not found:
        return
    page.head(HEADINGS[found[0].severity])
    for cause in found:
        page.blank()
        put_cause(page, cause, formats)


def put_cause(page: Page, cause: Cause, formats: Formats) -> None:
    """One cause: what it is, what to do about it, then each file with what was found in it."""
    page.put(cause.title, "  ", "  ")
    shared = cause.shared_message
    if shared is not None:
        page.put(shared, "    ")
    page.put(cause.action, "    -> ")
    if shared is not None and len(cause.findings) == 1:
        _put_single(page, cause.findings[0], formats)
        return
    shown = cause.findings[: figures.MAX_LISTED_FILES]
    for finding in shown:
        _put_finding(page, finding, formats, "" if shared else message_of(finding))
    _put_rest(page, len(cause.findings) - len(shown))


def _put_single(page: Page, finding: Finding, formats: Formats) -> None:
    """Put the only finding of its cause; its message stands above."""
    place = place_words(finding, formats.get(finding.file or ""))
    files = files_of(finding)
    shown = files[: figures.MAX_LISTED_FILES]
    for path in shown:
        page.put(path, "    - ")
    if place and len(files) == 1:
        page.put(place, "      ")
    _put_rest(page, len(files) - len(shown))
    put_against(page, finding)


def _put_finding(page: Page, finding: Finding, formats: Formats, message: str) -> None:
    page.put(_file_words(finding), "    - ")
    if message:
        page.put(message, "      ")
    place = place_words(finding, formats.get(finding.file or ""))
    if place:
        page.put(place, "      ")
    put_against(page, finding)


def _file_words(finding: Finding) -> str:
    files = files_of(finding)
    if not files:
        return finding.song or "the whole set"
    more = len(files) - figures.MAX_LISTED_FILES
    shown = ", ".join(files[: figures.MAX_LISTED_FILES])
    return f"{shown} and {more} more" if more > 0 else shown


def put_against(page: Page, finding: Finding) -> None:
    """Tell what the files at fault were compared with, where there is such a thing."""
    if finding.against:
        page.put(against_words(finding), "      ")


def _put_rest(page: Page, more: int) -> None:
    if more > 0:
        page.put(f"and {more} more: see the JSON report", "    ")


def _put_blockers(page: Page, report: Report, formats: Formats) -> None:
    if report.blockers:
        page.head(blockers_heading(report))
        for cause in causes(report.blockers):
            page.blank()
            put_cause(page, cause, formats)


def blockers_heading(report: Report) -> str:
    """Say that what follows is no fault of the files but of what would be made of them."""
    return f"Would stop a delivery under the spec {report.spec_name}"


def _put_repaired(page: Page, report: Report, formats: Formats) -> None:
    if not report.repaired:
        return
    page.head("Repaired in the package (the dropped files are untouched)")
    for cause in causes(report.repaired):
        page.blank()
        page.put(f"{cause.title}: {repair_words(cause)}", "  ", "  ")
        for finding in cause.findings[: figures.MAX_LISTED_FILES]:
            _put_finding(page, finding, formats, message_of(finding))
        _put_rest(page, len(cause.findings) - figures.MAX_LISTED_FILES)


def repair_words(cause: Cause) -> str:
    """``repaired by convert-rate``."""
    names = dict.fromkeys(each.repair for each in cause.findings if each.repair)
    return f"repaired by {figures.and_list(list(names))}" if names else "repaired"


def _put_songs(page: Page, songs: Sequence[SongLine]) -> None:
    if not songs:
        return
    page.head("Songs")
    cells: tuple[Callable[[SongLine], str], ...] = (
        lambda song: song.verdict,
        lambda song: song.files,
        lambda song: song.length,
        lambda song: song.format,
    )
    widths = [max(columns(cell(song)) for song in songs) for cell in cells]
    titles = min(MAX_TITLE_COLUMNS, max(columns(song.title) for song in songs))
    for song in songs:
        row = "  ".join(pad(cell(song), size) for cell, size in zip(cells, widths, strict=True))
        page.put_row(f"  {pad(song.title, titles)}  {row}")


def _put_set(page: Page, report: Report) -> None:
    page.head(set_heading(report))
    for label, words in set_lines(report):
        page.fact(label, words, indent=2, label_width=12)


def _put_waived(page: Page, report: Report, formats: Formats) -> None:
    if not report.waived:
        return
    page.head("Waived: known and signed for, not counted in the verdict")
    for finding in report.waived:
        page.put(f"{finding.check} ({finding.severity}), {_file_words(finding)}", "  - ")
        page.put(message_of(finding), "    ")
        place = place_words(finding, formats.get(finding.file or ""))
        if place:
            page.put(place, "    ")
        page.put(waiver_words(finding), "    ")


def _put_notes(page: Page, found: Sequence[Cause]) -> None:
    if not found:
        return
    count = sum(len(cause.findings) for cause in found)
    page.head(f"{HEADINGS['note']}: {figures.plural(count, 'note')}")
    for cause in found:
        page.put(f"{cause.title}: {_note_words(cause)}", "  - ")


def _note_words(cause: Cause) -> str:
    """One file: its name and what was found; several: what was found, once."""
    if cause.shared_message is not None and len(cause.files) != 1:
        return cause.shared_message
    first = cause.findings[0]
    example = f"{_file_words(first)}: {message_of(first)}"
    more = len(cause.findings) - 1
    return f"{example} (and {more} more: see the JSON report)" if more else example


def _put_remarks(page: Page, remarks: Sequence[str]) -> None:
    if remarks:
        page.head("Remarks")
        for remark in remarks:
            page.put(remark, "  - ")
