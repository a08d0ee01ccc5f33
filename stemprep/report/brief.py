"""One screen of a terminal: verdict, the worst five, how much more there is and where."""

from __future__ import annotations

from collections.abc import Sequence

from stemprep.checks import CHECKS
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.report import Report
from stemprep.model.since import Since
from stemprep.report import figures
from stemprep.report.cards import Card, first_screen, grave_causes, verdict_sentence
from stemprep.report.causes import causes, files_of, message_of, standing
from stemprep.report.figures import plural
from stemprep.report.layout import Page, cut
from stemprep.report.summary import checked_against, verdict_words
from stemprep.units import clock_from_samples

ROWS = 24
"""Of a terminal as it opens (common practice, no source); the last one is for the next prompt."""
MAX_SENTENCE_ROWS = 3


def render_brief(report: Report, *, width: int = 80, is_color: bool = False) -> str:
    """The first screen as text: at most ``ROWS`` - 1 lines, none wider than ``width``."""
    shown = first_screen(report)
    page = Page(width=width, is_color=is_color)
    page.strong_fact("Verdict", verdict_words(report))
    page.put(verdict_sentence(report))
    del page.lines[1 + MAX_SENTENCE_ROWS :]
    if report.since is not None:
        page.put_row(cut(since_words(report.since), page.width))
    page.put_row(cut(f"{checked_against(report)}.", page.width))
    foot = _foot(report, len(shown))
    room = ROWS - 1 - len(page.lines) - 1 - len(foot) - 1
    page.blank()
    _put_cards(page, report, shown, room)
    page.blank()
    for line in foot:
        page.put_row(cut(line, page.width))
    return page.text()


def _put_cards(page: Page, report: Report, shown: Sequence[Card], room: int) -> None:
    """Three rows each: what and where; what was found; what to do. The middle one gives way."""
    is_whole = 3 * len(shown) <= room
    formats = {file.path: file.facts.format for file in report.measured.files}
    for card in shown:
        finding, cause = card.finding, card.cause
        files = files_of(finding)
        more = len(cause.files) - 1
        where = "" if not files else f": {files[0]}" + (f" and {more} more" if more > 0 else "")
        at = _clock(finding, formats.get(finding.file or ""))
        heading = f"{CHECKS[cause.check].nature.heading}{where}{at}"
        page.put_row(f"{cause.severity:4}  {cut(heading, page.width - 6)}")
        if is_whole:
            page.put_row(f"      {cut(message_of(finding), page.width - 6)}")
        page.put_row(f"      {cut(f'-> {cause.action}', page.width - 6)}")


def _clock(finding: Finding, form: AudioFormat | None) -> str:
    """`` at 0:17.000 and 3 more places``; "" where it has no place."""
    spots = finding.spots
    if not spots or form is None:
        return ""
    count = max(len(spots), finding.occurrences.count if finding.occurrences else 1)
    more = f" and {plural(count - 1, 'more place')}" if count > 1 else ""
    return f" at {clock_from_samples(spots[0].start_sample, form.sample_rate_hz)}{more}"


def _foot(report: Report, shown: int) -> list[str]:
    """Counts of what is not shown, and where all of it is."""
    more = len(grave_causes(report)) - shown
    notes = sum(
        len(cause.findings)
        for cause in causes(standing(report), report.cured)
        if cause.severity == "note"
    )
    counts = [
        f"{more} more to look at" if more else "",
        plural(notes, "note") if notes else "",
        f"{len(report.waived)} waived" if report.waived else "",
        plural(len(report.notes), "remark") if report.notes else "",
        f"{plural(len(report.blockers), 'thing')} would stop a delivery" if report.blockers else "",
    ]
    counted = figures.and_list([count for count in counts if count])
    rest = f"Also {counted}. " if counted else ""
    return [f"{rest}All of it: --all; with pictures: --html FILE."]


def since_words(since: Since) -> str:
    """``Since old.json: 3 fixed, 2 still there, 1 new.``"""
    return (
        f"Since {since.name}: {len(since.fixed)} fixed, {len(since.still)} still there, "
        f"{len(since.new)} new."
    )
