"""What a receiver looks for first: format, length, start, tempo, and whether the stems add up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from fractions import Fraction

from stemprep.model.null_test import NullTest
from stemprep.model.package import WrittenFile
from stemprep.model.sheet import SessionSheet, TempoMark
from stemprep.report import figures
from stemprep.report.null_tests import null_line
from stemprep.units import clock_from_samples

Line = tuple[str, str]


def glance_lines(
    song: str,
    files: Sequence[WrittenFile],
    sheet: SessionSheet | None,
    null_tests: Iterable[NullTest],
) -> tuple[Line, ...]:
    """Label and words for one song of a package, as its files were measured after writing."""
    timed = [file for file in files if _rate_of(file)]
    lines = [
        ("Audio", figures.plural(len(files), "file")),
        ("Format", _each([_format(file) for file in timed])),
        ("Length", _each([_length(file) for file in timed])),
        ("Start", _starts(timed)),
        ("Tempo", tempo_words(song, sheet)),
    ]
    lines += [("Null test", null_line(test)) for test in null_tests if test.song == song]
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
    return f"{clock_from_samples(samples, rate_hz)} (sample {samples:,} at {figures.rate(rate_hz)})"


def tempo_words(song: str, sheet: SessionSheet | None) -> str:
    """Tempo and meter from bar to bar as the session sheet gives them; "" where it does not."""
    notes = () if sheet is None else sheet.songs
    mine = [note for note in notes if note.title == song or len(notes) == 1]
    return "; ".join(_mark(mark) for mark in (mine[0].tempo_map if mine else ()))


def _mark(mark: TempoMark) -> str:
    tempo = "" if mark.tempo_bpm is None else f" {mark.tempo_bpm:g} BPM"
    meter = f" {mark.meter}" if mark.meter else ""
    glide = ", gliding to the next" if mark.is_ramp else ""
    return f"bar {mark.bar}:{tempo}{meter}{glide}"


def _rate_of(file: WrittenFile) -> int | None:
    return None if file.after.format is None else file.after.format.sample_rate_hz
