"""What a mastering room asks of every song before it listens: one block a song, in running order.

Nothing is made up: what neither sheet nor sound tells is said to be not said, so that the receiver
asks before the work and not after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.checks.sheet_paths import sheet_index
from stemprep.model.package import WrittenFile
from stemprep.model.report import Report
from stemprep.model.sheet import SessionSheet, SongNote
from stemprep.model.words import Role
from stemprep.report import figures
from stemprep.report.sums import gain_lines, sum_lines, unsummed_lines

Line = tuple[str, str]

NOT_SAID = "not said"
MIX_ROLES: frozenset[Role] = frozenset({"mix", "alternate-mix"})


@dataclass(frozen=True, slots=True, kw_only=True)
class SongBlock:
    """One song of page one: its heading, and label and words of each line."""

    heading: str
    lines: tuple[Line, ...]


def song_blocks(report: Report, written: Sequence[WrittenFile]) -> tuple[SongBlock, ...]:
    """A block for each song that has files, in the sheet's order, else in the session's."""
    songs = songs_in_order(report, written)
    return tuple(
        SongBlock(
            heading=_heading(song, position, len(songs)),
            lines=_lines(song, written, report),
        )
        for position, song in enumerate(songs, start=1)
    )


def songs_in_order(report: Report, written: Sequence[WrittenFile]) -> tuple[str, ...]:
    """Songs of the written files; the session has them in the sheet's order."""
    present = {file.plan.song: None for file in written}
    known = [song for song in report.measured.session.songs if song in present]
    return tuple(dict.fromkeys([*known, *present]))


def note_of(song: str, sheet: SessionSheet | None) -> SongNote | None:
    """What the sheet says of a song; where a song has no title, the only one it speaks of."""
    notes = () if sheet is None else sheet.songs
    if not song and len(notes) == 1:
        return notes[0]
    return next((note for note in notes if note.title == song), None)


def _heading(song: str, position: int, count: int) -> str:
    title = song or ("The song" if count == 1 else "Files of no song")
    return title if count == 1 else f"Song {position} of {count}: {title}"


def _lines(song: str, written: Sequence[WrittenFile], report: Report) -> tuple[Line, ...]:
    files = [file for file in written if file.plan.song == song]
    sheet = report.measured.session.sheet
    note = note_of(song, sheet)
    mixes = [file for file in files if file.plan.role in MIX_ROLES]
    alternates = [file.plan.path for file in mixes if file.plan.role == "alternate-mix"]
    references = [file.plan.path for file in files if file.plan.role == "listening-reference"]
    sums = sum_lines(song, report, written)
    lines = [
        *unsummed_lines(song, report, written),
        ("Title to print", _title(song, note, sheet)),
        ("Revision", _said(None if note is None else note.revision)),
        ("Master from", _candidate(note, files, report) + _rough_words(mixes, files)),
        ("Listen to", _listed(references, "no listening reference")),
        ("Mix bus", _mix_bus(note)),
        ("Fades", _said(None if note is None else note.fades)),
        ("ISRC", _said(None if note is None else note.isrc)),
        ("Alternates", _listed(alternates, "none")),
    ]
    lines += (*gain_lines(files), *sums)
    if not sums and all(file.plan.role != "stem" for file in files):
        lines.append(("Stems", "none in this package, so nothing that could add up to a mix"))
    lines += [("Levels", _levels(file)) for file in mixes if file.after.sound is not None]
    return tuple(lines)


def _said(value: object | None) -> str:
    return NOT_SAID if value is None else str(value)


def _listed(paths: Sequence[str], nothing: str) -> str:
    return "; ".join(paths) or nothing


def _title(song: str, note: SongNote | None, sheet: SessionSheet | None) -> str:
    named = (note.title if note is not None else "") or song
    return named or (sheet.title if sheet is not None and sheet.title else NOT_SAID)


def master_sources(
    note: SongNote | None, files: Sequence[WrittenFile], report: Report
) -> list[WrittenFile]:
    """Give the mixes of a song that a master may be made from: the sheet's choice, else all."""
    chosen = None if note is None else note.master_candidate
    if chosen is None:
        return [file for file in files if file.plan.role == "mix"]
    index = sheet_index(report.measured, (file.path for file in report.measured.files))
    named = set(index.named_by(chosen))
    mixes = [file for file in files if file.plan.role in MIX_ROLES]
    return [file for file in mixes if named & set(file.plan.sources)]


def _candidate(note: SongNote | None, files: Sequence[WrittenFile], report: Report) -> str:
    """The sheet's choice; else the only mix, told as no more than that."""
    chosen = None if note is None else note.master_candidate
    paths = [file.plan.path for file in master_sources(note, files, report)]
    if chosen is not None:
        return _listed(paths, f"'{chosen}', as the sheet says, but no such file is here")
    if len(paths) == 1:
        return f"{paths[0]} (the only mix; the sheet does not choose)"
    return f"{NOT_SAID}; please ask" if paths else "no mix in this package"


def _rough_words(mixes: Sequence[WrittenFile], files: Sequence[WrittenFile]) -> str:
    """A rough mix is never taken for the mix, but who looks for one should know that it is here."""
    rough = [file.plan.path for file in files if file.plan.role == "rough-mix"]
    return "" if mixes or not rough else f", only a rough mix: {'; '.join(rough)}"


def _mix_bus(note: SongNote | None) -> str:
    limited = None if note is None else note.mix_bus_limited
    processed = None if note is None else note.mix_bus_processed
    limiter = {None: f"limiter {NOT_SAID}", True: "through a limiter", False: "no limiter"}[limited]
    other = {None: "", True: "; processed as a whole", False: "; not processed as a whole"}
    return limiter + other[processed]


def _levels(file: WrittenFile) -> str:
    """Headroom, true peak and loudness by two meters of one mix."""
    sound = file.after.sound
    assert sound is not None, "levels are of files with sound"
    peak = sound.level.sample_peak_dbfs
    room = "silent" if peak == float("-inf") else f"headroom {-peak:.1f} dB"
    loudness = figures.level(sound.loudness.loudness_lufs, "LUFS")
    second = file.second_reading
    other = "" if second is None else f", {second.reason or _second(second.loudness_lufs)}"
    true_peak = figures.true_peak(sound.level.true_peak_dbtp, sound.level.true_peak_filter)
    return f"{file.plan.path}: {room}; true peak {true_peak}; loudness {loudness}{other}"


def _second(loudness_lufs: float | None) -> str:
    return f"{figures.level(loudness_lufs, 'LUFS')} by the second meter"
