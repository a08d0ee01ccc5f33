"""The short note that travels in a package: what it is, what was done, how to check it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from stemprep.model.finding import Finding
from stemprep.model.package import Predecessor, WrittenFile
from stemprep.model.plan import Operation
from stemprep.model.report import Report
from stemprep.model.sheet import SessionSheet, TrackNote
from stemprep.model.words import OperationName, Role
from stemprep.report import amendment, figures
from stemprep.report.album import MIX_TABLE_HEAD, MIX_TABLE_TITLE, album_lines, mix_rows
from stemprep.report.causes import Cause, causes, files_of, message_of, standing
from stemprep.report.delivered_findings import UNTOUCHED, findings_as_delivered
from stemprep.report.glance import glance_lines
from stemprep.report.layout import Page
from stemprep.report.made import made_words, put_beside
from stemprep.report.operations import operation_title, ordered_gain_db
from stemprep.report.plan import put_left_out
from stemprep.report.songs import SongBlock, song_blocks, songs_in_order
from stemprep.report.summary import verdict_words, waiver_words
from stemprep.report.sums import gain_lines, package_paths, sum_lines, unsummed_lines

MIX_ROLES: frozenset[Role] = frozenset({"mix", "alternate-mix", "rough-mix", "listening-reference"})
NOT_NAMED = "not named"
SONG_LABEL_WIDTH = 16
GLANCE_LABEL_WIDTH = 12
HEARING_WORDS = (
    "Before you listen: turn the level down, above all on headphones, and bring it up slowly. "
    "The files hold their full level and some may be much louder than others. Local rules for "
    "hearing protection go before this advice."
)
PROOF_WORDS = (
    "The check proves that every file is, byte for byte, the one that was packed, and that none "
    "is missing. It proves wholeness, not authorship: whoever can change the files can change "
    "the lists of checksums too. To be sure of the sender, compare the checksum of "
    "tagmanifest-sha256.txt with one that reached you by another way."
)


def delivery_note(
    report: Report,
    written: Sequence[WrittenFile],
    *,
    package_name: str,
    check_commands: Sequence[tuple[str, str]],
    delivery: int = 1,
    predecessor: Predecessor | None = None,
    is_songs_told: bool = False,
    width: int = 80,
) -> str:
    """Write the note; it holds no absolute path, clock time, host or name of the dropped folder.

    written:        the package's audio, measured again after writing.
    check_commands: (system, command) pairs; a command is never broken over lines.
    predecessor:    the delivery that this one follows.
    is_songs_told:  page one holds what a mastering room asks of every song.
    """
    page = Page(width=width)
    by_song = _by_song(written, songs_in_order(report, written))
    if report.amendment is not None:
        page.fact(amendment.label(report.amendment), amendment.amendment_words(report.amendment))
    _put_title(page, report, package_name, delivery, predecessor)
    _put_open(page, report, written)
    if is_songs_told:
        _put_album(page, report, written)
        _put_songs(page, song_blocks(report, written))
    _put_glance(page, report, by_song, are_sums_told=not is_songs_told)
    page.blank()
    page.put(HEARING_WORDS)
    put_beside(page, report.plan, written)
    _put_files(page, by_song, _track_notes(report), made_words(report.plan))
    _put_work(page, report, written)
    _put_left_out(page, report)
    _put_checking(page, check_commands)
    return page.text()


def _put_title(
    page: Page, report: Report, package_name: str, delivery: int, predecessor: Predecessor | None
) -> None:
    sheet = report.measured.session.sheet or SessionSheet()
    page.fact("Package", package_name)
    page.fact("Artist", sheet.artist or NOT_NAMED)
    page.fact("Title", sheet.title or NOT_NAMED)
    songs = [song for song in report.measured.session.songs if song]
    if len(songs) > 1:
        page.fact("Songs", ", ".join(songs))
    follows = "" if predecessor is None else f", follows {predecessor.name}"
    page.fact("Delivery", f"{delivery}{follows}")
    purpose = f" ({report.spec_title})" if report.spec_title else ""
    page.fact("Checked", f"{verdict_words(report)}, against the spec {report.spec_name}{purpose}")
    page.fact("Contact", ", ".join(filter(None, (sheet.engineer, sheet.contact))) or NOT_NAMED)
    if sheet.rights:
        page.fact("Rights", sheet.rights)
    if sheet.is_unreleased:
        page.fact("Caution", "unreleased; please keep title and sound to yourself")


def _by_song(written: Sequence[WrittenFile], order: Sequence[str]) -> dict[str, list[WrittenFile]]:
    """Files by song in the running order, what is damaged first."""
    songs: dict[str, list[WrittenFile]] = {song: [] for song in order}
    for file in sorted(written, key=lambda each: not each.plan.is_marked):
        songs[file.plan.song].append(file)
    return songs


def _put_album(page: Page, report: Report, written: Sequence[WrittenFile]) -> None:
    """The mixes side by side, and what holds for the record as a whole."""
    lines = album_lines(report, written)
    if lines:
        page.head("The record")
        for label, words in lines:
            page.fact(label, words, indent=2, label_width=SONG_LABEL_WIDTH)
    rows = mix_rows(report, written)
    if rows:
        page.head(MIX_TABLE_TITLE)
        page.put_row(f"  {MIX_TABLE_HEAD}")
        for name, figures_of_mix in rows:
            page.put(name, "  ", "    ")
            page.put_row(f"  {figures_of_mix}")


def _put_songs(page: Page, blocks: Sequence[SongBlock]) -> None:
    for block in blocks:
        page.head(block.heading)
        for label, words in block.lines:
            page.fact(label, words, indent=2, label_width=SONG_LABEL_WIDTH)


def _put_glance(
    page: Page,
    report: Report,
    by_song: Mapping[str, Sequence[WrittenFile]],
    *,
    are_sums_told: bool,
) -> None:
    """Format, length, start and tempo of each song, and what the sheet says to the receiver."""
    sheet = report.measured.session.sheet
    references = {} if report.plan is None else report.plan.references
    for song, files in by_song.items():
        page.head(f"At a glance: {song}" if len(by_song) > 1 and song else "At a glance")
        lines = glance_lines(song, files, sheet, references.get(song))
        if are_sums_told:
            lines = (
                *unsummed_lines(song, report, files),
                *lines,
                *gain_lines(files),
                *sum_lines(song, report, files),
            )
        for label, words in lines:
            page.fact(label, words, indent=2, label_width=GLANCE_LABEL_WIDTH)
    if sheet is not None and sheet.notes:
        page.head("Notes of the sender")
        page.put(sheet.notes, "  ")


def _put_open(page: Page, report: Report, written: Sequence[WrittenFile]) -> None:
    """Tell what the receiver should know: warnings that stand, and what was signed for.

    Files are called as in the package, which is all that the receiver can look up.
    """
    paths = package_paths(written)
    told = findings_as_delivered(standing(report), report, written)
    found = [cause for cause in causes(told) if cause.severity != "note"]
    if found:
        page.head("What stands against it")
        for cause in found:
            page.put(_open_words(cause, paths), "  - ")
    if report.waived:
        page.head("Waived: known and signed for")
        for finding in report.waived:
            page.put(f"{finding.check}, {_files(finding, paths)}: {waiver_words(finding)}", "  - ")


def _open_words(cause: Cause, paths: Mapping[str, str]) -> str:
    """Check, files and what was found; where each file has its own, the first one's."""
    first, more = cause.findings[0], len(cause.findings) - 1
    is_shared = cause.shared_message is not None
    files = cause.files if is_shared else files_of(first)
    named = figures.file_list([paths.get(path, path) for path in files])
    head = f"{cause.check}, {named}" if named else cause.check
    rest = "" if is_shared else f" (and {more} more: see the report)"
    return f"{head}: {message_of(first)}{rest}"


def _files(finding: Finding, paths: Mapping[str, str]) -> str:
    named = [paths.get(path, path) for path in files_of(finding)]
    return figures.file_list(named) or "the whole set"


def _track_notes(report: Report) -> dict[str, TrackNote]:
    files = report.measured.session.files
    return {file.path: file.note for file in files if file.note is not None}


def _put_files(
    page: Page,
    by_song: Mapping[str, Sequence[WrittenFile]],
    notes: Mapping[str, TrackNote],
    made: Mapping[str, str],
) -> None:
    for song, files in by_song.items():
        page.head(f"Files of {song}" if song else "Files")
        for file in files:
            page.put(file.plan.path, "  ", "  ")
            page.put(_file_words(file), "    ")
            told = [note_words(notes[path]) for path in file.plan.sources if path in notes]
            for words in dict.fromkeys(filter(None, (made.get(file.plan.path), *told))):
                page.put(words, "    ")


def note_words(note: TrackNote) -> str:
    """What the session sheet says of a track and its sound does not."""
    fields = (
        ("source", note.source),
        ("microphone", note.microphone),
        ("printed with", note.chain),
        ("take", note.take),
        ("alternate of", note.alternate_of),
        ("use", None if note.use == "main" else note.use),
        ("meant to be", ", ".join(note.intended)),
        ("note", note.notes),
    )
    return "; ".join(f"{label}: {value}" for label, value in fields if value)


def _file_words(file: WrittenFile) -> str:
    kind = file.after.format
    rate_hz = None if kind is None else kind.sample_rate_hz
    parts = [
        file.plan.role,
        figures.length(file.after.header.frames, rate_hz),
        figures.format_words(kind),
    ]
    if file.plan.role in MIX_ROLES:
        parts += _mix_levels(file)
    if file.made_by_us:
        parts.append("made for this package, not recorded")
    if file.plan.is_damaged:
        parts.append("damaged, kept as it is")
    if file.plan.is_doubtful:
        parts.append("others may not open it, or read it otherwise; kept as it is")
    return "; ".join(parts)


def _mix_levels(file: WrittenFile) -> list[str]:
    """Loudness by both meters and true peak; mixes only, where somebody will compare them."""
    sound = file.after.sound
    if sound is None:
        return []
    loudness = figures.level(sound.loudness.loudness_lufs, "LUFS")
    second = file.second_reading
    if second is not None:
        other = figures.level(second.loudness_lufs, "LUFS")
        loudness += f" (second meter, {second.meter}: {second.reason or other})"
    peak = figures.true_peak(sound.level.true_peak_dbtp, sound.level.true_peak_filter)
    return [f"loudness {loudness}", f"true peak {peak}"]


def _put_work(page: Page, report: Report, written: Sequence[WrittenFile]) -> None:
    """Operations, each told once with the number of files it was done to and why."""
    page.head("What was done to the files")
    done: dict[tuple[OperationName, str, str], list[str]] = {}
    for file in written:
        for step in file.plan.operations:
            key = (step.name, _step_words(step), step.reason)
            done.setdefault(key, []).append(file.plan.path)
    for (name, title, reason), paths in done.items():
        why = f" ({reason})" if reason else ""
        which = "" if name in UNTOUCHED else f": {figures.file_list(paths)}"
        page.put(f"{figures.plural(len(paths), 'file')} {title}{why}{which}", "  - ")
    if not done:
        page.put("nothing", "  - ")
    for note in () if report.plan is None else report.plan.notes:
        page.put(note, "  - ")
    page.put("Every step with its figures stands in manifest.json.", "  ")


def _step_words(step: Operation) -> str:
    """What was done, without figures but for a gain, which changes every level."""
    gain_db = ordered_gain_db([step])
    return f"changed in level by {gain_db:+.2f} dB" if gain_db else operation_title(step)


def _put_left_out(page: Page, report: Report) -> None:
    if report.plan is not None and report.plan.left_out:
        page.head("What was left out")
        put_left_out(page, report.plan.left_out)


def _put_checking(page: Page, commands: Sequence[tuple[str, str]]) -> None:
    page.head("How to check the package without stemprep")
    page.put("Open a terminal in the package's folder and type one line:", "  ")
    for system, command in commands:
        page.put(f"{system}:", "  ")
        page.command(command)
    page.blank()
    page.put(PROOF_WORDS)
