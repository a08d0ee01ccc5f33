"""The report as one self-contained HTML page: nothing fetched, every text escaped.

All of it can be read without its script, which zooms, plays, filters and sorts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from stemprep.checks import CHECKS
from stemprep.model.finding import Finding, Occurrence
from stemprep.model.header import AudioFormat
from stemprep.model.report import Report
from stemprep.model.session import MeasuredFile
from stemprep.model.words import SEVERITY_ORDER
from stemprep.report import figures
from stemprep.report.brief import since_words
from stemprep.report.cards import Card, first_screen, grave_causes, verdict_sentence
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
from stemprep.report.operations import operation_words
from stemprep.report.set_pictures import QUIETEST_LUFS, loudness_bars, mic_picture, null_picture
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
from stemprep.report.templates import environment, script, stylesheet
from stemprep.report.text import blockers_heading, repair_words
from stemprep.report.timeline import Placed, timelines
from stemprep.report.waveform import Picture, columns_of, picture, silhouette
from stemprep.report.zooms import Zoom, zoom

_LAST = len(SEVERITY_ORDER)
KIND_WORDS = {"fail": "Must be fixed", "warn": "Needs a look", "note": "Good to know"}
BY_DELIVER = "deliver repairs it"
BY_HAND = "somebody has to act"
NOTHING_DRAWN = Picture(lanes=(), data=(), hidden_lanes=0, rows=(), ticks=())

Anchors = Mapping[str, str]
Formats = Mapping[str, AudioFormat | None]
Zooms = Mapping[tuple[str | None, Occurrence], Zoom]


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
    heading: str
    severity: str
    message: str
    action: str
    items: tuple[Item, ...]
    rest: tuple[Item, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CardView:
    """One cause of the first screen; others: its further files."""

    severity: str
    kind: str
    check: str
    heading: str
    message: str
    files: tuple[tuple[str, str | None], ...]
    where: str
    action: str
    others: tuple[Item, ...]
    is_message_own: bool
    zoom: Zoom | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingView:
    """One finding in its file's own section; places: first and last sample of each."""

    check: str
    heading: str
    kind: str
    message: str
    advice: str
    place: str
    places: str
    zooms: tuple[Zoom, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileView:
    """One file: its row on the timeline, facts, picture, findings and what was done to it.

    worst: severity of its worst finding that counts; "" where there is none.
    """

    anchor: str
    path: str
    role: str
    song: str
    group: str
    standing: str
    strip_words: str
    worst: str
    rank: int
    checks: tuple[str, ...]
    who: tuple[str, ...]
    rate_hz: int
    frames: int
    silhouette: str
    columns: int
    brief: tuple[str, str, str]
    facts: tuple[tuple[str, str], ...]
    picture: Picture
    channels: tuple[str, ...]
    findings: tuple[FindingView, ...]
    operations: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SongView:
    """One song of the timeline."""

    title: str
    words: str
    ticks: tuple[object, ...]
    rows: tuple[tuple[FileView, Placed], ...]


def render_html(report: Report) -> str:
    """Write the whole report as an HTML page; the same report gives the same bytes."""
    measured = report.measured.files
    anchors = {file.path: f"file-{number}" for number, file in enumerate(measured, start=1)}
    formats = {file.path: file.facts.format for file in measured}
    by_path = {file.path: file for file in measured}
    zooms = _zooms(report, formats)
    style, style_hash = stylesheet()
    code, script_hash = script()
    shown, grave = first_screen(report), grave_causes(report)
    notes = [c for c in causes(standing(report), report.cured) if c.severity == "note"]
    note_count = sum(len(cause.findings) for cause in notes)
    views = {view.path: view for view in _files(report, anchors, zooms)}
    mics = mic_picture(report.set_facts)

    def told(found: Iterable[Cause], *, is_repaired: bool = False) -> list[CauseView]:
        return [
            cause_view(cause, anchors, formats, repair_words(cause) if is_repaired else "")
            for cause in found
        ]

    return (
        environment()
        .get_template("report.html")
        .render(
            style=style,
            style_hash=style_hash,
            script=code,
            script_hash=script_hash,
            name=report.measured.session.archive or report.measured.session.name,
            head=headline(report),
            verdict=report.verdict,
            since=()
            if report.since is None
            else (
                ("fixed", report.since.fixed),
                ("still there", report.since.still),
                ("new", report.since.new),
            ),
            since_words="" if report.since is None else since_words(report.since),
            is_package_told=report.plan is not None or report.package is not None,
            sentence=verdict_sentence(report),
            checked=checked_against(report),
            figures_of=figures_of(report),
            set_heading=set_heading(report),
            set_lines=set_lines(report),
            songs=song_lines(report),
            microphones=microphone_matrix(report.set_facts),
            mics=mics,
            nulls=[null_picture(test, by_path) for test in report.set_facts.null_tests],
            loudness=loudness_bars(measured),
            quietest=f"{QUIETEST_LUFS:.0f}",
            cards=[_card(card, anchors, formats, zooms) for card in shown],
            more=told(grave[len(shown) :]),
            notes=told(notes),
            note_count=figures.plural(note_count, "note"),
            blockers=told(causes(report.blockers)),
            blockers_heading=blockers_heading(report),
            repaired=told(causes(report.repaired), is_repaired=True),
            waived=[
                (each, _item(each, anchors, formats), waiver_words(each)) for each in report.waived
            ],
            songs_shown=[
                SongView(
                    title=song.title,
                    words=song.words,
                    ticks=song.ticks,
                    rows=tuple((views[row.file.path], row) for row in song.rows),
                )
                for song in timelines(measured)
            ],
            kinds=_kinds(views.values()),
            people=(BY_DELIVER, BY_HAND),
            remarks=report.notes,
            version=report.stemprep_version,
            spec_sha256=report.spec_sha256,
        )
    )


def _zooms(report: Report, formats: Formats) -> Zooms:
    found: dict[tuple[str | None, Occurrence], Zoom] = {}
    for closeup in report.closeups:
        form = formats.get(closeup.path)
        if form is not None:
            found[closeup.path, closeup.place] = zoom(closeup, form)
    return found


def _kinds(files: Iterable[FileView]) -> list[tuple[str, str]]:
    """Checks that found something in a file, by their headings."""
    found = {check for file in files for check in file.checks}
    return sorted(((check, heading_of(check)) for check in found), key=lambda item: item[1])


def heading_of(check: str) -> str:
    """What people call the fault."""
    return CHECKS[check].nature.heading


def _card(card: Card, anchors: Anchors, formats: Formats, zooms: Zooms) -> CardView:
    cause, finding = card.cause, card.finding
    others = tuple(each for each in cause.findings if each is not finding)
    spot = card.place
    return CardView(
        severity=cause.severity,
        kind="Deliver repairs it" if cause.is_cured else KIND_WORDS[cause.severity],
        check=cause.check,
        heading=heading_of(cause.check),
        message=message_of(finding),
        files=tuple((path, anchors.get(path)) for path in files_of(finding)[:3]),
        where=_where(finding, formats.get(finding.file or "")),
        action=cause.action,
        others=tuple(_item(each, anchors, formats) for each in others),
        is_message_own=cause.shared_message is None,
        zoom=None if spot is None else zooms.get((finding.file, spot)),
    )


def _where(finding: Finding, form: AudioFormat | None) -> str:
    """Times, channel and bar; how many more files where it has no place."""
    more = len(files_of(finding)) - 3
    rest = f"and {figures.plural(more, 'more file')}" if more > 0 else ""
    return ", ".join(part for part in (rest, place_words(finding, form)) if part)


def cause_view(cause: Cause, anchors: Anchors, formats: Formats, action: str = "") -> CauseView:
    """One cause with its first files; the others go into ``rest``."""
    shared = cause.shared_message
    items = tuple(_item(each, anchors, formats) for each in cause.findings)
    limit = figures.MAX_LISTED_FILES
    return CauseView(
        title=cause.title,
        heading=heading_of(cause.check),
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


def _files(report: Report, anchors: Anchors, zooms: Zooms) -> list[FileView]:
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
    repaired, cured = set(report.repaired), set(report.cured)
    return [
        _file(
            file,
            anchors[file.path],
            by_file.get(file.path, ()),
            steps.get(file.path, ()),
            repaired,
            cured,
            zooms,
        )
        for file in report.measured.files
    ]


def _step_words(words: str, reason: str) -> str:
    return f"{words}: {reason}" if reason else words


def _file(
    file: MeasuredFile,
    anchor: str,
    findings: Sequence[Finding],
    operations: Sequence[str],
    repaired: set[Finding],
    cured: set[Finding],
    zooms: Zooms,
) -> FileView:
    kind, sound = file.facts.format, file.facts.sound
    counting = [each for each in findings if each.counts and each not in repaired]
    rank = min((SEVERITY_ORDER[each.severity] for each in counting), default=_LAST)
    outline = "" if sound is None else silhouette(sound)
    stands = _standing(findings, repaired)
    return FileView(
        anchor=anchor,
        path=file.path,
        role=file.role,
        song=file.source.song,
        group=file.source.group or "",
        standing=stands,
        strip_words=_strip_words(file, findings, stands),
        worst=next((name for name, place in SEVERITY_ORDER.items() if place == rank), ""),
        rank=rank,
        checks=tuple(dict.fromkeys(each.check for each in counting)),
        who=tuple(
            dict.fromkeys("0" if each in cured else "1" for each in counting if rank < _LAST)
        ),
        rate_hz=rate_of(file) or 0,
        frames=0 if sound is None else sound.frames,
        silhouette=outline,
        columns=columns_of(outline),
        brief=brief_facts(file),
        facts=file_facts(file),
        picture=_picture(file, list(enumerate(findings, start=1))),
        channels=tuple(
            figures.channel_name(channel, None if kind is None else kind.channels)
            for channel in range(1, 1 + (0 if kind is None else kind.channels))
        ),
        findings=tuple(
            FindingView(
                check=each.check,
                heading=heading_of(each.check),
                kind="repaired" if each in repaired else _kind(each),
                message=message_of(each),
                advice=_advice(each, cured),
                place=place_words(each, kind),
                places=_places(each.spots),
                zooms=tuple(
                    Zoom.silent(found)
                    for spot in each.spots
                    if (found := zooms.get((file.path, spot))) is not None
                    and each.file == file.path
                ),
            )
            for each in findings
        ),
        operations=tuple(operations),
    )


def _places(spots: Sequence[Occurrence]) -> str:
    ordered = sorted(spots, key=lambda spot: spot.start_sample)
    return " ".join(f"{spot.start_sample}-{spot.end_sample}" for spot in ordered)


def _strip_words(file: MeasuredFile, findings: Sequence[Finding], stands: str) -> str:
    places = [
        f"{each.check} {words}"
        for each in findings
        if (words := place_words(each, file.facts.format))
    ]
    return f"{file.path}: {'; '.join([stands, *places])}"


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


def _picture(file: MeasuredFile, numbered: Sequence[tuple[int, Finding]]) -> Picture:
    rate_hz, sound = rate_of(file), file.facts.sound
    if rate_hz is None or sound is None or not sound.frames:
        return NOTHING_DRAWN
    return picture(sound, rate_hz, numbered, sound.frames)
