"""Sections, tempo, meter and findings of a song as a plain table: bars, timecode and samples."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.bars import SongBars, found_places, songs_with_bars
from stemprep.app.companions.maker import Handover, Made, clear_path, song_folder
from stemprep.model.csv_table import csv_table
from stemprep.model.plan import Companion, Plan, StartReference
from stemprep.timeline import changes_between, nearest_sample, timecode_of_sample

NAME = "markers.csv"
COLUMNS = (
    "kind", "name", "bar", "beat", "timecode", "frame_rate", "samples_into_frame",
    "timeline_samples", "file_samples", "file_seconds", "sample_rate_hz", "file", "channel",
    "severity", "waived_by",
)  # fmt: skip
_MICROSECONDS = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """One line; ``sample`` counts from the first of the files, at ``rate_hz``."""

    kind: str
    name: str
    sample: int
    rate_hz: int
    rest: tuple[object, ...] = (None, None, None, None)


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """One for each song; without bars it tells the findings alone."""
    songs = dict.fromkeys(output.song for output in planned.outputs)
    with_bars = {song.song for song in songs_with_bars(inspection, planned)}
    for song in songs:
        what = "sections, tempo, meter and findings" if song in with_bars else "findings"
        how = "bar, timecode and sample" if song in with_bars else "sample; bars are not known"
        yield Companion(
            kind="markers",
            path=clear_path(f"{song_folder(song, planned)}{NAME}", planned),
            song=song,
            words=f"Table of {what}, each by {how}.",
        )


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[Made]:
    """See ``Maker``."""
    songs = {song.song: song for song in songs_with_bars(handover.inspection, handover.planned)}
    for companion in companions:
        song = songs.get(companion.song)
        places = [*(() if song is None else _of_map(song)), *_of_findings(companion.song, handover)]
        places.sort(key=lambda place: Fraction(place.sample, place.rate_hz))
        reference = handover.planned.references.get(companion.song)
        table = csv_table(COLUMNS, (_row(place, reference, song) for place in places))
        yield handover.staging.add_bytes(companion.path, table.encode("utf-8", "backslashreplace"))


def _of_map(song: SongBars) -> Iterator[_Place]:
    timeline, tempo_map = song.timeline, song.timeline.tempo_map
    assert tempo_map is not None, "a song with bars has a tempo map"
    start = tempo_map.quarter_at(_after_bar_1_s(song, 0, timeline.rate_hz))
    end = tempo_map.quarter_at(_after_bar_1_s(song, song.frames, timeline.rate_hz))
    yield _Place(
        kind="start", name="first sample of every file", sample=0, rate_hz=timeline.rate_hz
    )
    for change in changes_between(tempo_map, start, end):
        sample = max(0, timeline.sample_of_quarter(change.quarter))
        yield _Place(kind=change.kind, name=change.words, sample=sample, rate_hz=timeline.rate_hz)
    places = [("bar 1", "bar 1", 1)]
    places += [("section", section.name, section.bar) for section in timeline.sections]
    for kind, name, bar in places:
        sample = timeline.sample_of(bar)
        if 0 <= sample <= song.frames:
            yield _Place(kind=kind, name=name, sample=sample, rate_hz=timeline.rate_hz)


def _after_bar_1_s(song: SongBars, sample: int, rate_hz: int) -> Fraction:
    bar_1 = song.timeline.bar_1_sample or 0
    return Fraction(sample, rate_hz) - Fraction(bar_1, song.timeline.rate_hz)


def _of_findings(song: str, handover: Handover) -> Iterator[_Place]:
    for place in found_places(handover, song):
        finding = place.finding
        yield _Place(
            kind="finding",
            name=finding.check,
            sample=place.sample,
            rate_hz=place.rate_hz,
            rest=(place.output.path, place.channel, finding.severity, finding.waived_by),
        )


def _row(
    place: _Place, reference: StartReference | None, song: SongBars | None
) -> tuple[object, ...]:
    seconds = Fraction(place.sample, place.rate_hz)
    bar = None
    if song is not None:
        bar = song.timeline.bar_beat_at(nearest_sample(seconds, song.timeline.rate_hz))
    on_timeline: int | None = None
    timecode: tuple[object, ...] = (None, None, None)
    if reference is not None and reference.start_samples is not None:
        start_s = Fraction(reference.start_samples, reference.rate_hz)
        on_timeline = nearest_sample(start_s + seconds, place.rate_hz)
        if reference.frame_rate is not None:
            frame, into = timecode_of_sample(on_timeline, place.rate_hz, reference.frame_rate)
            timecode = (str(frame), reference.frame_rate, into)
    return (
        place.kind,
        place.name,
        None if bar is None else bar.bar,
        None if bar is None else bar.beat,
        *timecode,
        on_timeline,
        place.sample,
        f"{nearest_sample(seconds, _MICROSECONDS) / _MICROSECONDS:.6f}",
        place.rate_hz,
        *place.rest,
    )
