"""Files that are no audio, and audio that the session sheet does not list.

Lyrics, photos, MIDI and session files were put there by a person: they travel along in
`documents/` and are listed here so that nobody wonders. Audio that is missing from a sheet that
lists the tracks may be left over from an earlier export.

Measured: everything in the drop that is neither audio nor clutter; every audio file against the
track patterns of the sheet, where it has any, and the files and mixes of its songs.
Limit: none (common practice, no source). Audio that is not listed is a note at most.
Passes: a drop of audio files and a session sheet.
Fails: `lyrics.txt` beside the audio; `Gtr old.wav` that no line of the sheet matches.
To do: look whether it is meant to travel; otherwise take it out of the drop.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.sheet_paths import sheet_index
from stemprep.checks.tell import (
    about_entries,
    about_files,
    count_of,
    listed,
    severity_under,
    worst_ceiling,
)
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredSession
from stemprep.model.sheet import SessionSheet

ID = "unexpected-file"
NATURE = Nature(
    scope="set",
    heading="File that nobody expects",
    files_are="not expected",
    concern="label",
    is_of_drop=True,
)


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for all documents and one for all audio that is not listed."""
    yield from _documents(measured, rules)
    yield from _not_listed(measured, rules)


def _documents(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    paths = [entry.path for entry in measured.session.entries if entry.kind == "document"]
    severity = severity_under(rules.for_role("document").severity)
    if not paths or severity is None:
        return
    yield about_entries(
        paths,
        ID,
        severity,
        message=f"{count_of(len(paths), 'file')} that {'is' if len(paths) == 1 else 'are'} "
        f"no audio: {listed(paths)}",
        advice="Carried along as documents; take out of the drop what should not travel.",
    )


def _not_listed(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    sheet = measured.session.sheet
    if sheet is None or not sheet.tracks:
        return
    named = _named_by_songs(measured, sheet)
    files = [file for file in measured.files if file.source.note is None and file.path not in named]
    severity = severity_under(worst_ceiling(rules, files), "note")
    if not files or severity is None:
        return
    yield about_files(
        files,
        ID,
        severity,
        message=f"{count_of(len(files), 'audio file')} that no line of the session sheet matches: "
        f"{listed([file.path for file in files])}",
        advice="Add it to the sheet, or take it out if it is left over from an earlier export.",
        found=len(files),
        required=0,
        unit="files",
    )


def _named_by_songs(measured: MeasuredSession, sheet: SessionSheet) -> frozenset[str]:
    """Return the audio that the sheet's songs name: their files and mixes."""
    index = sheet_index(measured, (file.path for file in measured.files))
    patterns = [pattern for song in sheet.songs for pattern in (*song.files, *song.named_mixes)]
    return frozenset(path for pattern in patterns for path in index.named_by(pattern))
