"""The set on one timeline: where each file of a song begins and ends, grouped by its sources."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from stemprep.model.session import MeasuredFile
from stemprep.report.summary import rate_of
from stemprep.report.waveform import Tick, percent, time_ticks

AXIS_HZ = 1000
"""The axis counts milliseconds."""
MAX_SPAN_OF_LONGEST = 4
"""Files that begin further apart than this many of the longest are each drawn from their start."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One file on its song's timeline; percentages."""

    file: MeasuredFile
    x: str
    width: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SongTimeline:
    """The files of one song in their groups; words: what the places rest on."""

    title: str
    words: str
    ticks: tuple[Tick, ...]
    rows: tuple[Placed, ...]


def timelines(files: Sequence[MeasuredFile]) -> tuple[SongTimeline, ...]:
    """A timeline a song, in the session's order; files of one group stand together."""
    by_song: dict[str, list[MeasuredFile]] = {}
    for file in files:
        by_song.setdefault(file.source.song, []).append(file)
    return tuple(_timeline(title, mine) for title, mine in by_song.items())


def _timeline(title: str, files: Sequence[MeasuredFile]) -> SongTimeline:
    spans = {file.path: _span(file, is_by_reference=True) for file in files}
    known = [span for span in spans.values() if span is not None]
    longest = max((end - start for start, end in known), default=Fraction(0))
    is_known = all(_start(file) is not None for file in files if _seconds(file))
    begin = min((start for start, _ in known), default=Fraction(0))
    whole = max((end for _, end in known), default=Fraction(0)) - begin
    words = "placed by their time references"
    if not is_known or whole > MAX_SPAN_OF_LONGEST * longest:
        words = "each drawn from its file's start"
        spans = {file.path: _span(file, is_by_reference=False) for file in files}
        begin, whole = Fraction(0), longest
    return SongTimeline(
        title=title,
        words=words,
        ticks=time_ticks(round(whole * AXIS_HZ), AXIS_HZ, most=8),
        rows=tuple(_placed(file, spans[file.path], begin, whole) for file in _grouped(files)),
    )


def _placed(
    file: MeasuredFile, span: tuple[Fraction, Fraction] | None, begin: Fraction, whole: Fraction
) -> Placed:
    if span is None or not whole:
        return Placed(file=file, x="0%", width="0%")
    start, end = span
    return Placed(
        file=file,
        x=percent(float((start - begin) / whole)),
        width=percent(float((end - start) / whole)),
    )


def _grouped(files: Sequence[MeasuredFile]) -> list[MeasuredFile]:
    """Mixes first, then sources in order of their first file, each with all its microphones."""
    order: dict[str, int] = {}
    for file in files:
        order.setdefault(file.source.group or file.path, len(order))
    return sorted(
        files,
        key=lambda file: ("mix" not in file.role, order[file.source.group or file.path]),
    )


def _span(file: MeasuredFile, *, is_by_reference: bool) -> tuple[Fraction, Fraction] | None:
    seconds = _seconds(file)
    if not seconds:
        return None
    start = (_start(file) or Fraction(0)) if is_by_reference else Fraction(0)
    return start, start + seconds


def _start(file: MeasuredFile) -> Fraction | None:
    samples, rate_hz = file.facts.header.time_reference_samples, rate_of(file)
    return None if samples is None or not rate_hz else Fraction(samples, rate_hz)


def _seconds(file: MeasuredFile) -> Fraction:
    rate_hz = rate_of(file)
    return Fraction(file.facts.header.frames, rate_hz) if rate_hz else Fraction(0)
