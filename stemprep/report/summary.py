"""What text, page and note say alike: verdict line, what to do, where the package is, the set."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from stemprep.model.facts import SongFacts
from stemprep.model.finding import Finding
from stemprep.model.report import Report
from stemprep.model.session import UNREADABLE, EntryKind, MeasuredFile
from stemprep.report import figures
from stemprep.report.causes import Cause, causes, standing
from stemprep.report.delivered_findings import changed_sources
from stemprep.report.mic_pairs import microphone_line
from stemprep.report.null_tests import null_line, untested_mixes
from stemprep.units import clock_from_samples, seconds_from_samples

MAX_NAMED_GROUPS = 3
MAX_LINE = 70  # beside its label in a terminal of 80 columns

_KIND_WORDS: dict[EntryKind | Literal["unreadable"], tuple[str, str]] = {
    "document": ("document", "documents"),
    "sheet": ("session sheet", "session sheets"),
    "clutter": ("file of clutter", "files of clutter"),
    "unsafe": ("unsafe entry", "unsafe entries"),
    "unreadable": ("unreadable zip or entry", "unreadable zips or entries"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """The first three lines of every report."""

    verdict: str
    to_do: str
    package: str


def headline(report: Report) -> Headline:
    """Verdict, what to do, where the package is or why there is none."""
    return Headline(verdict=verdict_words(report), to_do=_to_do(report), package=_package(report))


def verdict_words(report: Report) -> str:
    """``pass``, ``pass, 3 waived``, ``fail, 2 repaired, 3 waived``."""
    parts: list[str] = [report.verdict]
    if report.repaired:
        parts.append(f"{len(report.repaired)} repaired")
    if report.waived:
        parts.append(f"{len(report.waived)} waived")
    return ", ".join(parts)


def figures_of(report: Report) -> str:
    """Of which files findings and figures are, once others were made of them; "" before."""
    if report.delivered is None or not changed_sources(report):
        return ""
    return (
        "Findings and figures below are of the files as dropped, before they were prepared; those "
        "of the delivered files stand in delivery-note.txt and manifest.json."
    )


def set_heading(report: Report) -> str:
    """Heading over what is told of the whole set."""
    return "The set, as dropped" if figures_of(report) else "The set"


def _to_do(report: Report) -> str:
    """Say what to do, short enough to stay on one line of a terminal."""
    found = causes(standing(report), report.cured)
    fails = [cause for cause in found if cause.severity == "fail" and not cause.is_cured]
    warns = [cause for cause in found if cause.severity == "warn" and not cause.is_cured]
    cured = [cause for cause in found if cause.severity != "note" and cause.is_cured]
    if len(fails) == 1 and len(fails[0].advice) <= MAX_LINE:
        return fails[0].advice
    if fails:
        return _with_names("Put right {}.", fails)
    if report.blockers:
        return _with_names("Look at {}; a delivery would stop.", [*causes(report.blockers), *warns])
    if warns and any(cause.severity == "fail" for cause in cured):
        return _with_names("Look at {}; deliver cures the rest.", warns)
    if warns:
        return _with_names("Look at {}; nothing has to be fixed.", warns)
    if cured:
        return _with_names("Nothing by hand: deliver cures {}.", cured)
    return "Nothing; what was repaired is told below." if report.repaired else "Nothing."


def _with_names(sentence: str, found: Sequence[Cause]) -> str:
    """Name as many checks in the sentence as fit: ``clipping and 2 more (7 files)``."""
    names = list(dict.fromkeys(cause.check for cause in found))
    files = {path for cause in found for path in cause.files}
    count = f" ({figures.plural(len(files), 'file')})" if files else ""
    for shown in range(len(names), 0, -1):
        more = [f"{len(names) - shown} more"] if shown < len(names) else []
        words = sentence.format(figures.and_list([*names[:shown], *more]) + count)
        if len(words) <= MAX_LINE:
            return words
    return sentence.format(figures.plural(len(found), "cause") + count)


def _package(report: Report) -> str:
    if report.package is not None and report.is_package_known:
        return f"{report.package} (already delivered: the same, byte for byte, lay there)"
    if report.package is not None:
        return report.package
    if report.plan is None:
        return "none; a check makes none"
    if report.passed:
        return "none yet; the plan has not been carried out"
    stops = causes(each for each in standing(report) if each.severity == "fail")
    problems = "one problem" if len(stops) == 1 else f"{len(stops)} problems"
    return f"none: {problems} must be fixed first"


def checked_against(report: Report) -> str:
    """One line: what was checked, against what."""
    session = report.measured.session
    title = f" ({report.spec_title})" if report.spec_title else ""
    words = f"hecked against the spec {report.spec_name}{title}"
    name = session.archive or session.name
    return f"{name}: c{words}" if name else f"C{words}"


def set_lines(report: Report) -> tuple[tuple[str, str], ...]:
    """Label and words for files, roles, formats, lengths and starts of the whole set."""
    measured = report.measured.files
    lines = [
        ("Files", _file_counts(report)),
        ("Roles", figures.tally(file.role for file in measured)),
        ("Formats", _formats(measured)),
        ("Length", _lengths(measured)),
        ("Start", _starts(measured)),
    ]
    if report.set_facts.duplicates:
        lines.append(("Same audio", _groups(report.set_facts.duplicates, "group")))
    if report.set_facts.pairs:
        lines.append(("Pairs", _groups(report.set_facts.pairs, "left and right pair")))
    lines += [("Null test", null_line(test)) for test in report.set_facts.null_tests]
    lines.append(("Null test", untested_mixes(report.set_facts.null_tests)))
    lines.append(("Microphones", microphone_line(report.set_facts, report.findings)))
    return tuple((label, words) for label, words in lines if words)


def _groups(groups: Sequence[Sequence[str]], noun: str) -> str:
    shown = "; ".join(figures.and_list(group) for group in groups[:MAX_NAMED_GROUPS])
    more = len(groups) - MAX_NAMED_GROUPS
    rest = f"; and {more} more: see the JSON report" if more > 0 else ""
    return f"{figures.plural(len(groups), noun)}: {shown}{rest}"


def _file_counts(report: Report) -> str:
    session = report.measured.session
    counts = Counter(
        "unreadable" if entry.hazard in UNREADABLE else entry.kind for entry in session.entries
    )
    parts = [f"{len(report.measured.files)} audio"]
    for kind, (one, several) in _KIND_WORDS.items():
        if counts[kind]:
            parts.append(figures.plural(counts[kind], one, several))
    titled = sum(bool(song) for song in session.songs)
    if len(session.songs) > 1:
        rest = " and beside them" if titled < len(session.songs) else ""
        parts[0] += f" in {figures.plural(titled, 'song')}{rest}"
    return ", ".join(parts)


def _formats(files: Sequence[MeasuredFile]) -> str:
    """Most frequent first, so that the odd one out stands at the end."""
    counts = Counter(figures.format_words(file.facts.format).rsplit(", ", 1)[0] for file in files)
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return "; ".join(f"{words} ({figures.plural(count, 'file')})" for words, count in ordered)


def _lengths(files: Sequence[MeasuredFile]) -> str:
    timed = [
        (seconds_from_samples(_frames(file), rate_hz), clock_from_samples(_frames(file), rate_hz))
        for file in files
        if (rate_hz := rate_of(file)) and _frames(file)
    ]
    return figures.span(min(timed)[1], max(timed)[1]) if timed else ""


def _starts(files: Iterable[MeasuredFile]) -> str:
    """Starts compared as times, each in the samples of the first file that has it."""
    groups: dict[Fraction | None, list[str]] = {}
    for file in files:
        samples, rate_hz = file.facts.header.time_reference_samples, rate_of(file)
        time = None if samples is None or not rate_hz else Fraction(samples, rate_hz)
        groups.setdefault(time, []).append(figures.start(samples, rate_hz))
    ordered = sorted(groups.values(), key=lambda words: (-len(words), words[0]))
    starts = [f"{words[0]}: {figures.plural(len(words), 'file')}" for words in ordered]
    more = len(starts) - MAX_NAMED_GROUPS
    if more > 0:
        starts = [*starts[:MAX_NAMED_GROUPS], figures.plural(more, "other start")]
    return "; ".join(starts)


def rate_of(file: MeasuredFile) -> int | None:
    """Give the file's rate, Hz; None where its header is not understood."""
    return None if file.facts.format is None else file.facts.format.sample_rate_hz


def _frames(file: MeasuredFile) -> int:
    return file.facts.header.frames


@dataclass(frozen=True, slots=True, kw_only=True)
class SongLine:
    """One song in words."""

    title: str
    verdict: str
    files: str
    format: str
    length: str
    start: str


def song_lines(report: Report) -> tuple[SongLine, ...]:
    """Every song of a drop that holds several; none where there is only one."""
    if len(report.songs) < 2:
        return ()
    facts = {song.song: song for song in report.set_facts.songs}
    return tuple(
        _song_line(
            song.song, song.verdict, facts.get(song.song, SongFacts(song=song.song, files=0))
        )
        for song in report.songs
    )


def _song_line(title: str, verdict: str, facts: SongFacts) -> SongLine:
    rates = figures.and_list([figures.rate(hz) for hz in facts.sample_rates_hz])
    words = figures.and_list([f"{bits}-bit" for bits in facts.bit_depths])
    known = facts.frames is not None
    return SongLine(
        title=title or "(of no song)",
        verdict=verdict,
        files=figures.plural(facts.files, "file"),
        format=", ".join(part for part in (rates, words) if part) or figures.UNKNOWN,
        length=figures.length(facts.frames or 0, facts.sample_rate_hz) if known else "",
        start=figures.start(facts.start_samples, facts.sample_rate_hz),
    )


def waiver_words(finding: Finding) -> str:
    """Who signed, and why."""
    return f"waived by {finding.waived_by}: {finding.waiver_reason or 'no reason given'}"
