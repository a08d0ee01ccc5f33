"""The report as one self-contained HTML page: no script, nothing fetched, every text escaped."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.report import Report
from stemprep.model.session import MeasuredFile
from stemprep.model.words import SEVERITY_ORDER
from stemprep.report import figures
from stemprep.report.causes import (
    Cause,
    against_words,
    causes,
    cure_words,
    files_of,
    message_of,
    place_words,
    standing,
)
from stemprep.report.filefacts import brief_facts, file_facts
from stemprep.report.mic_pairs import microphone_matrix
from stemprep.report.null_tests import residual_picture
from stemprep.report.operations import operation_words
from stemprep.report.summary import (
    checked_against,
    figures_of,
    headline,
    rate_of,
    set_heading,
    set_lines,
    song_lines,
    waiver_words,
)
from stemprep.report.templates import environment, stylesheet
from stemprep.report.text import HEADINGS, blockers_heading, repair_words
from stemprep.report.waveform import Picture, picture

_LAST = len(SEVERITY_ORDER)

Anchors = Mapping[str, str]
Formats = Mapping[str, AudioFormat | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One finding of a cause: its files with their anchors, what was found, where."""

    files: tuple[tuple[str, str | None], ...]
    message: str
    place: str
    against: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseView:
    """One cause as the page tells it; ``rest`` is folded away."""

    title: str
    severity: str
    message: str
    action: str
    items: tuple[Item, ...]
    rest: tuple[Item, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingView:
    """One finding in its file's own section."""

    number: int
    check: str
    kind: str
    message: str
    advice: str
    place: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FileView:
    """One file: facts, picture, findings and what was done to it."""

    anchor: str
    path: str
    role: str
    song: str
    standing: str
    brief: tuple[str, str, str]
    facts: tuple[tuple[str, str], ...]
    picture: Picture | None
    channels: tuple[str, ...]
    findings: tuple[FindingView, ...]
    operations: tuple[str, ...]


def render_html(report: Report) -> str:
    """Write the whole report as an HTML page; the same report gives the same bytes."""
    anchors = {
        file.path: f"file-{number}" for number, file in enumerate(report.measured.files, start=1)
    }
    formats = {file.path: file.facts.format for file in report.measured.files}
    style, digest = stylesheet()
    found = causes(standing(report), report.cured)
    return (
        environment()
        .get_template("report.html")
        .render(
            style=style,
            style_hash=digest,
            name=report.measured.session.archive or report.measured.session.name,
            head=headline(report),
            checked=checked_against(report),
            figures_of=figures_of(report),
            set_heading=set_heading(report),
            set_lines=set_lines(report),
            songs=song_lines(report),
            microphones=microphone_matrix(report.set_facts),
            residuals=[residual_picture(test) for test in report.set_facts.null_tests],
            sections=[
                (heading, views)
                for severity, heading in HEADINGS.items()
                if (
                    views := [
                        cause_view(c, anchors, formats) for c in found if c.severity == severity
                    ]
                )
            ],
            blockers=[cause_view(cause, anchors, formats) for cause in causes(report.blockers)],
            blockers_heading=blockers_heading(report),
            repaired=[
                cause_view(cause, anchors, formats, repair_words(cause))
                for cause in causes(report.repaired)
            ],
            waived=[
                (each, _item(each, anchors, formats), waiver_words(each)) for each in report.waived
            ],
            files=_files(report, anchors),
            remarks=report.notes,
            version=report.stemprep_version,
            spec_sha256=report.spec_sha256,
        )
    )


def cause_view(cause: Cause, anchors: Anchors, formats: Formats, action: str = "") -> CauseView:
    """One cause with its first files; the others go into ``rest``."""
    shared = cause.shared_message
    items = tuple(_item(each, anchors, formats) for each in cause.findings)
    limit = figures.MAX_LISTED_FILES
    return CauseView(
        title=cause.title,
        severity=cause.severity,
        message=shared or "",
        action=action or cause.action,
        items=items[:limit],
        rest=items[limit:],
    )


def _item(finding: Finding, anchors: Anchors, formats: Formats) -> Item:
    return Item(
        files=tuple((path, anchors.get(path)) for path in files_of(finding)),
        message=message_of(finding),
        place=place_words(finding, formats.get(finding.file or "")),
        against=against_words(finding),
    )


def _files(report: Report, anchors: Anchors) -> list[FileView]:
    """Files with the worst findings first, else in the session's order."""
    by_file: dict[str, list[Finding]] = {}
    for finding in report.findings:
        for path in files_of(finding):
            by_file.setdefault(path, []).append(finding)
    steps: dict[str, list[str]] = {}
    for output in () if report.plan is None else report.plan.outputs:
        for source in output.sources:
            words = steps.setdefault(source, [f"goes into the package as {output.path}"])
            rate_hz = None if output.format is None else output.format.sample_rate_hz
            words += [
                _step_words(operation_words(step, rate_hz), step.reason)
                for step in output.operations
            ]
    repaired = set(report.repaired)
    ordered = sorted(
        report.measured.files, key=lambda file: _rank(by_file.get(file.path, ()), repaired)
    )
    return [
        _file(
            file,
            anchors[file.path],
            by_file.get(file.path, ()),
            steps.get(file.path, ()),
            repaired,
            set(report.cured),
        )
        for file in ordered
    ]


def _step_words(words: str, reason: str) -> str:
    return f"{words}: {reason}" if reason else words


def _rank(findings: Iterable[Finding], repaired: set[Finding]) -> int:
    counting = (each for each in findings if each.counts and each not in repaired)
    return min((SEVERITY_ORDER[each.severity] for each in counting), default=_LAST)


def _file(
    file: MeasuredFile,
    anchor: str,
    findings: Sequence[Finding],
    operations: Sequence[str],
    repaired: set[Finding],
    cured: set[Finding],
) -> FileView:
    numbered = list(enumerate(findings, start=1))
    kind = file.facts.format
    return FileView(
        anchor=anchor,
        path=file.path,
        role=file.role,
        song=file.source.song,
        standing=_standing(findings, repaired),
        brief=brief_facts(file),
        facts=file_facts(file),
        picture=_picture(file, numbered),
        channels=tuple(
            figures.channel_name(channel, None if kind is None else kind.channels)
            for channel in range(1, 1 + (0 if kind is None else kind.channels))
        ),
        findings=tuple(
            FindingView(
                number=number,
                check=each.check,
                kind="repaired" if each in repaired else _kind(each),
                message=message_of(each),
                advice=_advice(each, cured),
                place=place_words(each, kind),
            )
            for number, each in numbered
        ),
        operations=tuple(operations),
    )


def _advice(finding: Finding, cured: set[Finding]) -> str:
    if not finding.counts:
        return waiver_words(finding)
    return cure_words(finding) if finding in cured else finding.advice


def _kind(finding: Finding) -> str:
    return finding.severity if finding.counts else "waived"


def _standing(findings: Sequence[Finding], repaired: set[Finding]) -> str:
    """``1 fail, 2 warn, 2 notes``; "nothing found" where there is nothing."""
    counts = Counter("repaired" if each in repaired else _kind(each) for each in findings)
    told = [
        figures.plural(count, kind) if kind == "note" else f"{count} {kind}"
        for kind, count in counts.items()
    ]
    return ", ".join(told) or "nothing found"


def _picture(file: MeasuredFile, numbered: Sequence[tuple[int, Finding]]) -> Picture | None:
    rate_hz, sound = rate_of(file), file.facts.sound
    if rate_hz is None or sound is None or not sound.frames:
        return None
    return picture(sound.overview, sound.frames, rate_hz, numbered)
