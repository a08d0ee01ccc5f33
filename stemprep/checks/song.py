"""The files of one song as the set checks compare them: starts, lengths, formats."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

from stemprep.checks.tell import word_name
from stemprep.model.facts import SongFacts, Sound
from stemprep.model.header import AudioFormat
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.words import ROLES, Ceiling, Role
from stemprep.units import convert_samples, length_after_conversion

NOT_COMPARED: frozenset[Role] = frozenset({"listening-reference", "document"})
"""Roles that nothing has to line up with."""
LOOSE: frozenset[Role] = frozenset({"talkback", "click", "guide", "rough-mix"})
"""Roles whose start, length and format are nobody's fault: at most a note, never the measure."""

Value = TypeVar("Value", int, Fraction, tuple[int, str])


@dataclass(frozen=True, slots=True)
class Heard:
    """A file of which format and sound are known."""

    file: MeasuredFile
    format: AudioFormat
    sound: Sound

    @property
    def seconds(self) -> Fraction:
        """Exact length."""
        return Fraction(self.sound.frames, self.format.sample_rate_hz)

    @property
    def start_samples(self) -> int | None:
        """Time reference at the file's own rate; None where it has none."""
        return self.file.facts.header.time_reference_samples

    @property
    def start_s(self) -> Fraction | None:
        """Exact time reference in seconds; None where it has none."""
        start = self.start_samples
        return None if start is None else Fraction(start, self.format.sample_rate_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """One song of a session.

    files:    all its audio, in the session's order.
    compared: those with sound that have to fit together.
    """

    title: str
    files: tuple[MeasuredFile, ...]
    compared: tuple[Heard, ...]
    facts: SongFacts


def songs_of(measured: MeasuredSession) -> tuple[Song, ...]:
    """Return the songs in the session's order; one unnamed song where none has a title."""
    titles = dict.fromkeys((*measured.session.songs, *(f.source.song for f in measured.files)))
    by_title = {
        title: tuple(file for file in measured.files if file.source.song == title)
        for title in titles
    }
    return tuple(_song(title, files) for title, files in by_title.items() if files)


def ceiling_in_set(ceiling: Ceiling, role: Role) -> Ceiling:
    """Return the ceiling, lowered to a note for the roles that set no measure."""
    return "note" if role in LOOSE and ceiling != "off" else ceiling


def measure_givers(compared: Sequence[Heard]) -> tuple[Heard, ...]:
    """Return those whose majority is the song's measure: without loose roles, unless all are."""
    firm = tuple(item for item in compared if item.file.role not in LOOSE)
    return firm or tuple(compared)


def majority(values: Iterable[Value]) -> tuple[Value, bool] | None:
    """Most frequent value and whether it is the only one so frequent; None without values.

    Among equally frequent ones the largest wins, so the order of files decides nothing.
    """
    counts = Counter(values)
    if not counts:
        return None
    most = max(counts.values())
    tied = [value for value, count in counts.items() if count == most]
    return max(tied), len(tied) == 1


def is_stamped(item: Heard, others: Sequence[Heard]) -> bool:
    """Tell whether the file carries a time reference; zero is none where others have one."""
    start = item.start_samples
    return start is not None and (start != 0 or not any(other.start_samples for other in others))


def is_same_time(left: Fraction, right: Fraction, left_hz: int, right_hz: int) -> bool:
    """Tell whether two positions are one: exact at one rate, within a sample across rates."""
    gap = abs(left - right)
    return gap == 0 if left_hz == right_hz else gap < Fraction(1, min(left_hz, right_hz))


def _song(title: str, files: tuple[MeasuredFile, ...]) -> Song:
    compared = tuple(
        Heard(file, file.facts.format, file.facts.sound)
        for file in files
        if file.facts.format is not None
        and file.facts.sound is not None
        and file.role not in NOT_COMPARED
    )
    return Song(
        title=title, files=files, compared=compared, facts=_song_facts(title, files, compared)
    )


def _song_facts(
    title: str, files: tuple[MeasuredFile, ...], compared: tuple[Heard, ...]
) -> SongFacts:
    givers = measure_givers(compared)
    rate = majority(item.format.sample_rate_hz for item in givers)
    depth = majority(item.format.bit_depth for item in givers)
    rate_hz = None if rate is None else rate[0]
    counts = Counter(file.role for file in files)
    return SongFacts(
        song=title,
        files=len(files),
        sample_rates_hz=tuple(sorted({item.format.sample_rate_hz for item in compared})),
        bit_depths=tuple(sorted({item.format.bit_depth for item in compared})),
        sample_rate_hz=rate_hz,
        bit_depth=None if depth is None else depth[0],
        start_samples=None if rate_hz is None else _earliest_start(compared, rate_hz),
        frames=None if rate_hz is None else _longest(compared, rate_hz),
        roles=tuple((role, counts[role]) for role in ROLES if role in counts),
    )


def _earliest_start(compared: Sequence[Heard], rate_hz: int) -> int | None:
    starts = [
        convert_samples(item.start_samples, item.format.sample_rate_hz, rate_hz)
        for item in compared
        if item.start_samples is not None and is_stamped(item, compared)
    ]
    return min(starts, default=None)


def _longest(compared: Sequence[Heard], rate_hz: int) -> int | None:
    return max((frames_at(item, rate_hz) for item in compared), default=None)


def frames_at(item: Heard, rate_hz: int) -> int:
    """Length at another rate, rounded up as conversion does."""
    return length_after_conversion(item.sound.frames, item.format.sample_rate_hz, rate_hz)


def word_of(item: Heard) -> tuple[int, str]:
    """Word length and its name, so that 32-bit integer and float are told apart."""
    return item.format.bit_depth, word_name(item.format)
