"""What a receiver looks for first: format, length, start, tempo, and whether the stems add up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from fractions import Fraction

from stemprep.model.package import WrittenFile
from stemprep.model.plan import StartReference
from stemprep.model.sheet import MidiTempo, SessionSheet, SongNote, TempoMark
from stemprep.report import figures
from stemprep.timeline import changes_between, map_of_midi
from stemprep.units import clock_from_samples, time_of_day_from_samples

MAX_TEMPO_MARKS = 8
"""Changes that one line tells; the tempo map tells all."""

Line = tuple[str, str]


def glance_lines(
    song: str,
    files: Sequence[WrittenFile],
    sheet: SessionSheet | None,
    reference: StartReference | None = None,
) -> tuple[Line, ...]:
    """Label and words for one song of a package, as its files were measured after writing."""
    timed = [file for file in files if _rate_of(file)]
    lines = [
        ("Audio", figures.plural(len(files), "file")),
        ("Format", _each([_format(file) for file in timed])),
        ("Length", _each([_length(file) for file in timed])),
        ("Start", _starts(timed)),
        ("Bar 1", _sheet_bar_1(song, sheet) if reference is None else bar_1_words(reference)),
        ("Tempo", tempo_words(song, sheet)),
    ]
    return tuple((label, words) for label, words in lines if words)


def _each(words: Sequence[str]) -> str:
    """``0:15.600, every file``, or each kind with its number of files, most frequent first."""
    counts = sorted(Counter(words).items(), key=lambda item: (-item[1], item[0]))
    if len(counts) == 1 and len(words) > 1:
        return f"{counts[0][0]}, every file"
    if len(counts) == 1:
        return counts[0][0]
    return "; ".join(f"{text}: {figures.plural(count, 'file')}" for text, count in counts)


def _format(file: WrittenFile) -> str:
    return figures.format_words(file.after.format).rpartition(", ")[0]


def _length(file: WrittenFile) -> str:
    frames = file.after.header.frames
    return f"{figures.length(frames, _rate_of(file))} ({figures.plural(frames, 'sample')})"


def _starts(files: Sequence[WrittenFile]) -> str:
    """Starts compared as times: files of two rates that begin together have one start."""
    stamps = [(file.after.header.time_reference_samples, _rate_of(file)) for file in files]
    if not files:
        return ""
    if all(samples is None for samples, _ in stamps):
        return "no file carries a start time; line all up at their file starts"
    known = {Fraction(samples, rate) for samples, rate in stamps if samples is not None and rate}
    words = [_start(samples, rate) for samples, rate in stamps]
    if len(known) == 1 and None not in (samples for samples, _ in stamps):
        return f"{words[0]}, every file: import all at one position"
    return _each(words)


def _start(samples: int | None, rate_hz: int | None) -> str:
    if samples is None or not rate_hz:
        return "no start time in the file"
    clock = time_of_day_from_samples(samples, rate_hz)
    return f"{clock} (sample {samples:,} at {figures.rate(rate_hz)})"


def bar_1_words(reference: StartReference | None) -> str:
    """Where bar 1 lies in every file, and which bar the files begin with; "" where unknown."""
    if reference is None or reference.bar_1_samples is None:
        return ""
    words = f"sample {reference.bar_1_samples:,} of every file"
    if reference.bar_1_samples < 0:
        words = f"{-reference.bar_1_samples:,} samples before every file begins"
    else:
        words += f" ({clock_from_samples(reference.bar_1_samples, reference.rate_hz)})"
    if reference.bar_1_timecode is not None:
        words += f", timecode {reference.bar_1_timecode} at {reference.frame_rate} frames/s"
    if reference.start_bar is None:
        return words
    bar, _, beat = reference.start_bar.partition(".")
    before = 1 - int(bar)
    if not reference.is_on_bar_line:
        return f"{words}; the files begin in bar {bar}, after beat {beat}"
    if before > 0:
        return f"{words}; the files begin {figures.plural(before, 'bar')} before it"
    return f"{words}; the files begin with bar {bar}"


def _sheet_bar_1(song: str, sheet: SessionSheet | None) -> str:
    """What the sheet says where no file was laid out by it; the tempo map would hang in the air."""
    note = _note_of(song, sheet)
    bar_1 = None if note is None else note.bar_1
    if bar_1 is None:
        return ""
    told = "as the session sheet says; the files were left where they were"
    if bar_1.timecode is not None:
        return f"timecode {bar_1.timecode} at {bar_1.frame_rate} frames/s, {told}"
    return f"sample {bar_1.samples:,} as time references count, {told}"


def _note_of(song: str, sheet: SessionSheet | None) -> SongNote | None:
    notes = () if sheet is None else sheet.songs
    return next((note for note in notes if note.title == song or len(notes) == 1), None)


def tempo_words(song: str, sheet: SessionSheet | None) -> str:
    """Tempo and meter from bar to bar as the session sheet gives them; "" where it does not.

    A tempo counts quarter notes. Of long lists only the first changes are told.
    """
    note = _note_of(song, sheet)
    if note is None:
        return ""
    if note.is_free_time:
        return "free time"
    marks = [_mark(mark) for mark in note.tempo_map] or _read_marks(note.tempo_read)
    if len(marks) > MAX_TEMPO_MARKS:
        marks[MAX_TEMPO_MARKS:] = [f"{len(marks) - MAX_TEMPO_MARKS} more changes"]
    if any(mark.meter and not mark.meter.endswith("/4") for mark in note.tempo_map):
        marks.append("BPM counts quarter notes")  # in 6/8 people may think of dotted ones
    return "; ".join(marks)


def _read_marks(read: MidiTempo | None) -> list[str]:
    """The changes of a tempo file, those of one bar together."""
    if read is None:
        return []
    tempo_map = map_of_midi(read)
    last = max(tempo_map.tempos[-1].start, tempo_map.meters[-1].start)
    by_bar: dict[int, list[str]] = {}
    for change in changes_between(tempo_map, Fraction(0), last + 1):
        bar = tempo_map.bar_beat_at(change.quarter).bar
        by_bar.setdefault(bar, []).append(change.words)
    return [f"bar {bar}: {', '.join(words)}" for bar, words in by_bar.items()]


def _mark(mark: TempoMark) -> str:
    tempo = "" if mark.tempo_bpm is None else f" {mark.tempo_bpm:g} BPM"
    meter = f" {mark.meter}" if mark.meter else ""
    glide = ", gliding to the next" if mark.is_ramp else ""
    return f"bar {mark.bar}:{tempo}{meter}{glide}"


def _rate_of(file: WrittenFile) -> int | None:
    return None if file.after.format is None else file.after.format.sample_rate_hz
