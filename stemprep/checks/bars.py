"""The bar and beat of findings, where the session sheet says where the bars lie."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

from stemprep.checks.song import Song
from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredFile, Session
from stemprep.units import convert_samples

if TYPE_CHECKING:
    from stemprep.timeline import SongTimeline


def with_bars(
    findings: Iterable[Finding], songs: Sequence[Song], session: Session
) -> Iterator[Finding]:
    """Yield the findings, each with the bar and beat of its first sample where both are known.

    A file without time reference among files that have one could lie anywhere: it gets no bars.
    """
    if session.sheet is None or all(song.bar_1 is None for song in session.sheet.songs):
        yield from findings
        return
    by_title = {song.title: song for song in songs}
    files = {file.path: file for song in songs for file in song.files}

    @cache
    def timeline(title: str, rate_hz: int) -> SongTimeline | None:
        return _timeline(by_title[title], rate_hz, session)

    for finding in findings:
        file = files.get(finding.file or "")
        form = None if file is None else file.facts.format
        if file is None or form is None or finding.start_sample is None:
            yield finding
            continue
        known = timeline(file.source.song, form.sample_rate_hz)
        start = None if known is None else _start(file, by_title[file.source.song])
        if known is None or start is None:
            yield finding
        else:
            place = known.bar_beat_at(start + finding.start_sample)
            yield replace(finding, start_bar=str(place))


def _timeline(song: Song, rate_hz: int, session: Session) -> SongTimeline | None:
    """The bars of a song at a file's rate; None where they are not known or cannot be right."""
    from stemprep.timeline import timeline_of_song  # most drops do not say where bar 1 lies

    facts = song.facts
    song_hz = facts.sample_rate_hz
    if song_hz is None or facts.frames is None:
        return None
    is_stamped = bool(song.stamped)
    timeline = timeline_of_song(
        session.note_of(song.title), rate_hz, is_stamped=is_stamped, sheet_hz=song_hz
    )
    start = convert_samples(facts.start_samples or 0, song_hz, rate_hz) if is_stamped else 0
    length = convert_samples(facts.frames, song_hz, rate_hz)
    is_known = timeline.has_bars and timeline.is_bar_1_within(start, start + length)
    return timeline if is_known else None


def _start(file: MeasuredFile, song: Song) -> int | None:
    """First sample of a file on its song's timeline, at its own rate."""
    if not song.stamped:
        return 0
    stamp = file.facts.header.time_reference_samples
    is_zero_meant = not any(item.start_samples for item in song.stamped)
    return stamp if stamp or (stamp == 0 and is_zero_meant) else None
