"""The files of one song as the set checks compare them, and what is common to them."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TypeVar

from stemprep.checks.heard import Heard, frames_at, measure_givers
from stemprep.checks.starts import (
    common_length_of,
    common_start_of,
    length_gap,
    stamped_among,
    start_at,
)
from stemprep.model.facts import SongFacts
from stemprep.model.mic_pairs import ContentLag, MicLag
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.sheet import SongNote
from stemprep.model.words import CARRIED_ROLES, ROLES, Role

Value = TypeVar("Value", int, tuple[int, str])


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """One song of a session.

    files:         all its audio, in the session's order.
    compared:      those with sound that have to fit together; none that the sheet calls unused.
    stamped:       those of them whose time reference says something.
    common_start:  a file that starts where most do, by time reference; None where none says.
    common_length: a file as long as most are; None where nothing is compared.
    content_lags:  files that hold one signal, where no file has a time reference.
    mic_lags:      microphones measured against each other.
    note:          what the session sheet says of it.
    """

    title: str
    files: tuple[MeasuredFile, ...]
    compared: tuple[Heard, ...]
    stamped: tuple[Heard, ...]
    common_start: Heard | None
    common_length: Heard | None
    facts: SongFacts
    content_lags: tuple[ContentLag, ...] = ()
    mic_lags: tuple[MicLag, ...] = ()
    note: SongNote | None = None

    def has_common_length(self, item: Heard) -> bool:
        """Tell whether the file is as long as most of the song, within a sample across rates."""
        return self.common_length is not None and length_gap(item, self.common_length) == 0


def songs_of(measured: MeasuredSession) -> tuple[Song, ...]:
    """Return the songs in the session's order; one unnamed song where none has a title."""
    by_title: dict[str, list[MeasuredFile]] = {title: [] for title in measured.session.songs}
    for file in measured.files:
        by_title.setdefault(file.source.song, []).append(file)
    return tuple(
        replace(
            _song(title, tuple(files)),
            content_lags=tuple(lag for lag in measured.content_lags if lag.song == title),
            mic_lags=tuple(lag for lag in measured.mic_lags if lag.song == title),
            note=measured.session.note_of(title),
        )
        for title, files in by_title.items()
        if files
    )


def majority(values: Iterable[Value]) -> tuple[Value, bool] | None:
    """Return the most frequent value and whether it is alone in that; None without values.

    Among equally frequent ones the largest wins, so the order of files decides nothing.
    """
    counts = Counter(values)
    if not counts:
        return None
    most = max(counts.values())
    tied = [value for value, count in counts.items() if count == most]
    return max(tied), len(tied) == 1


def _song(title: str, files: tuple[MeasuredFile, ...]) -> Song:
    compared = tuple(
        Heard(file, file.facts.format, file.facts.sound)
        for file in files
        if file.facts.format is not None
        and file.facts.sound is not None
        and file.role not in CARRIED_ROLES
        and file.source.use != "unused"
    )
    stamped = stamped_among(compared)
    facts = _song_facts(title, files, compared, stamped)
    rate_hz = facts.sample_rate_hz
    return Song(
        title=title,
        files=files,
        compared=compared,
        stamped=stamped,
        common_start=None if rate_hz is None else common_start_of(stamped, rate_hz),
        common_length=common_length_of(compared),
        facts=facts,
    )


def _song_facts(
    title: str,
    files: tuple[MeasuredFile, ...],
    compared: tuple[Heard, ...],
    stamped: tuple[Heard, ...],
) -> SongFacts:
    givers = measure_givers(compared)
    rate = majority(item.format.sample_rate_hz for item in givers)
    depth = majority(item.format.bit_depth for item in givers)
    rate_hz = None if rate is None else rate[0]
    roles: dict[Role, int] = defaultdict(int)
    for file in files:
        roles[file.role] += 1
    return SongFacts(
        song=title,
        files=len(files),
        sample_rates_hz=tuple(sorted({item.format.sample_rate_hz for item in compared})),
        bit_depths=tuple(sorted({item.format.bit_depth for item in compared})),
        sample_rate_hz=rate_hz,
        bit_depth=None if depth is None else depth[0],
        start_samples=None
        if rate_hz is None
        else min((start_at(item, rate_hz) for item in stamped), default=None),
        frames=None
        if rate_hz is None
        else max((frames_at(item, rate_hz) for item in compared), default=None),
        roles={role: roles[role] for role in ROLES if role in roles},
    )
