"""A record as a whole, for the room that masters it: running order, lengths, and its mixes.

Lengths and levels are of the delivered files; names and wishes are the session sheet's words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from stemprep.model.package import WrittenFile
from stemprep.model.report import Report
from stemprep.model.sheet import SessionSheet, SongNote
from stemprep.report import figures
from stemprep.report.songs import MIX_ROLES, NOT_SAID, master_sources, note_of, songs_in_order
from stemprep.report.sums import null_tests_inside
from stemprep.units import clock_from_samples

Line = tuple[str, str]

MIX_TABLE_TITLE = "The mixes: peak in dBFS, true peak in dBTP, loudness in LUFS, its range in LU"
_COLUMNS = ("length", "rate/bits", "peak", "true peak", "LUFS", "LU", "stems", "limiter")
_WIDTHS = (11, 11, 7, 11, 10, 7, 11, 10)
_NULL_WORDS = {"exact": "exact", "word-length": "rounding"}
_NONE = "-"
_MS = 1000


def album_lines(report: Report, written: Sequence[WrittenFile]) -> tuple[Line, ...]:
    """Say what holds for all songs; nothing where neither sheet nor number of songs asks for it."""
    sheet = report.measured.session.sheet or SessionSheet()
    songs = [song for song in songs_in_order(report, written) if song]
    lines: list[Line] = []
    if len(songs) > 1:
        lines += [
            ("Running order", _running_order(songs, sheet)),
            ("Length", _length(songs, report, written)),
        ]
    lines += [
        ("UPC/EAN", sheet.upc or ""),
        ("Wanted back", sheet.due or ""),
        ("Please", sheet.wishes or ""),
        ("Credits", "; ".join(sheet.credits)),
    ]
    return tuple((label, words) for label, words in lines if words)


def _running_order(songs: Sequence[str], sheet: SessionSheet) -> str:
    """``1 Low Water, 2 s of silence, 2 4718``; an order that nobody gave is not called one."""
    if not sheet.songs:
        return f"{NOT_SAID}; the songs are told as they lie in the drop"
    words = []
    for place, song in enumerate(songs, start=1):
        note = note_of(song, sheet)
        after = "" if place == len(songs) else _after(note)
        words.append(f"{place} {song}{after}")
    return ", ".join(words)


def _after(note: SongNote | None) -> str:
    if note is not None and note.is_segue:
        return " going into"
    if note is None or note.gap_s is None:
        return ""
    return f", {note.gap_s:g} s of silence"


def _length(songs: Sequence[str], report: Report, written: Sequence[WrittenFile]) -> str:
    """Add up the mixes that masters are made from, and the gaps; say where one is not known."""
    sheet = report.measured.session.sheet
    total_s, gap_s = 0.0, 0.0
    unsaid_gaps, unknown = 0, []
    for place, song in enumerate(songs, start=1):
        note = note_of(song, sheet)
        files = [file for file in written if file.plan.song == song]
        lengths = {_seconds(file) for file in master_sources(note, files, report)}
        if len(lengths) != 1 or None in lengths:
            unknown.append(song)
        total_s += max((length for length in lengths if length is not None), default=0.0)
        if place < len(songs):
            is_open = note is None or (note.gap_s is None and not note.is_segue)
            unsaid_gaps += is_open
            gap_s += 0.0 if note is None else note.gap_s or 0.0
    if unknown:
        return f"not known, because one mix to master is not clear of: {figures.and_list(unknown)}"
    plain = f"{_clock(total_s + gap_s)} for {figures.plural(len(songs), 'song')}"
    if unsaid_gaps == len(songs) - 1:
        return f"{plain}, without gaps, which the sheet does not give"
    missing = f"; {figures.plural(unsaid_gaps, 'gap')} not given" if unsaid_gaps else ""
    return f"{plain} with {gap_s:g} s of gaps{missing}"


def _seconds(file: WrittenFile) -> float | None:
    form = file.after.format
    frames = file.after.header.frames
    return None if form is None else frames / form.sample_rate_hz


def _clock(seconds: float) -> str:
    return clock_from_samples(round(seconds * _MS), _MS)


def mix_rows(report: Report, written: Sequence[WrittenFile]) -> tuple[tuple[str, str], ...]:
    """Name and figures of every mix, song by song; the figures stand below ``MIX_TABLE_HEAD``."""
    sheet = report.measured.session.sheet
    verdicts = {test.reference: test.verdict for test in null_tests_inside(report, written)}
    rows = []
    for song in songs_in_order(report, written):
        note = note_of(song, sheet)
        for file in written:
            if file.plan.song != song or file.plan.role not in MIX_ROLES:
                continue
            verdict = verdicts.get(file.plan.path)
            sums = _NONE if verdict is None else _NULL_WORDS.get(verdict, "differ")
            rows.append((file.plan.path, _row((*_figures(file), sums, _limiter(note)))))
    return tuple(rows)


def _figures(file: WrittenFile) -> tuple[str, ...]:
    form, sound = file.after.format, file.after.sound
    if form is None or sound is None:
        return (_NONE,) * 6
    word = f"{form.bit_depth}f" if form.encoding == "float" else f"{form.bit_depth}"
    return (
        figures.length(file.after.header.frames, form.sample_rate_hz),
        f"{form.sample_rate_hz / 1000:g}k/{word}",
        _decimal(sound.level.sample_peak_dbfs),
        _decimal(sound.level.true_peak_dbtp),
        _decimal(sound.loudness.loudness_lufs),
        _decimal(sound.loudness.loudness_range_lu),
    )


def _decimal(value: float | None) -> str:
    if value is None:
        return _NONE
    return f"{value:.1f}" if math.isfinite(value) else "silent"


def _limiter(note: SongNote | None) -> str:
    limited = None if note is None else note.mix_bus_limited
    return {None: "not said", True: "yes", False: "no"}[limited]


def _row(cells: Sequence[str]) -> str:
    """Figures stand to the right of their column, words to its left."""
    first = "".join(cell.ljust(width) for cell, width in zip(cells[:2], _WIDTHS[:2], strict=True))
    middle = "".join(
        cell.rjust(width) for cell, width in zip(cells[2:6], _WIDTHS[2:6], strict=True)
    )
    last = "".join(
        f"  {cell}".ljust(width) for cell, width in zip(cells[6:], _WIDTHS[6:], strict=True)
    )
    return (first + middle + last).rstrip()


MIX_TABLE_HEAD = _row(_COLUMNS)
