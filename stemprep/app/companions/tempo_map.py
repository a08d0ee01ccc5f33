"""The tempo map as a Standard MIDI File with sections and findings as markers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.bars import SongBars, found_places, songs_with_bars
from stemprep.app.companions.maker import Handover, Made, clear_path, song_folder
from stemprep.model.plan import Companion, Plan
from stemprep.naming import file_name
from stemprep.timeline import MapTrack, Marker, write_midi

NAME = "tempo-map.mid"


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """One for each song whose bars are known."""
    for song in songs_with_bars(inspection, planned):
        yield Companion(
            kind="tempo-map",
            path=clear_path(f"{song_folder(song.song, planned)}{NAME}", planned),
            song=song.song,
            words="Tempo and meter as a MIDI file with section markers; findings are markers in a "
            f"track of their own. {_start_words(song)}",
        )


def first_bar(song: SongBars) -> int:
    """The bar that the file begins with: the first whose line lies in the files."""
    place = song.timeline.bar_beat_at(0)
    return place.bar if place.is_bar_line else place.bar + 1


def _start_words(song: SongBars) -> str:
    bar = first_bar(song)
    sample = song.timeline.sample_of(bar)
    if sample:
        return f"Its first tick is bar {bar}, sample {sample:,} of every file: place it there."
    reference = song.reference
    at = ""
    if reference.start_timecode is not None:
        into = reference.start_timecode_samples
        rest = f" and {into:,} samples" if into else ""
        at = f", timecode {reference.start_timecode}{rest} at {reference.frame_rate} frames/s"
    count = "" if bar == 1 else " (a session that counts from its first bar calls it bar 1)"
    return f"Its first tick is the first sample of every file: bar {bar}{count}{at}."


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[Made]:
    """See ``Maker``."""
    songs = {song.song: song for song in songs_with_bars(handover.inspection, handover.planned)}
    for companion in companions:
        content = _content(songs[companion.song], handover)
        yield handover.staging.add_bytes(companion.path, content)


def _content(song: SongBars, handover: Handover) -> bytes:
    timeline, tempo_map = song.timeline, song.timeline.tempo_map
    assert tempo_map is not None, "a song with bars has a tempo map"
    last = timeline.bar_beat_at(song.frames).bar + 1
    start, end = tempo_map.quarter_of(first_bar(song)), tempo_map.quarter_of(last)
    found = tuple(_found(song, handover))
    return write_midi(
        tempo_map,
        start,
        max(start, end),
        name=song.song or "Tempo map",
        texts=(_start_words(song),),
        markers=(
            *([] if first_bar(song) == 1 else [Marker(quarter=Fraction(0), text="Bar 1")]),
            *(
                Marker(quarter=tempo_map.quarter_of(section.bar), text=section.name)
                for section in timeline.sections
            ),
        ),
        tracks=(MapTrack(name="Findings", markers=found),) if found else (),
    )


def _found(song: SongBars, handover: Handover) -> Iterator[Marker]:
    timeline, tempo_map = song.timeline, song.timeline.tempo_map
    assert timeline.bar_1_sample is not None, "a song with bars has a bar 1"
    assert tempo_map is not None, "a song with bars has a tempo map"
    for place in found_places(handover, song.song):
        if place.finding.severity == "note":  # the table of markers tells them
            continue
        after_bar_1_s = Fraction(place.sample, place.rate_hz) - Fraction(
            timeline.bar_1_sample, timeline.rate_hz
        )
        yield Marker(
            quarter=tempo_map.quarter_at(after_bar_1_s),
            text=f"{place.finding.check}: {file_name(place.output.path)}",
        )
