"""What is known of a song's bars, and what is wanted of the start of its files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.model.plan import StartReference
from stemprep.prepare.conform import Song
from stemprep.prepare.draft import Draft
from stemprep.prepare.starts import stamped
from stemprep.timeline import SongTimeline, timeline_of_song

USUAL_RATE_HZ = 48_000  # of a song without sound: nothing is placed by it


@dataclass(frozen=True, slots=True, kw_only=True)
class BarOrder:
    """What is known of the song's bars, at the rate of its files, and the bars wanted before 1."""

    timeline: SongTimeline
    count_in_bars: int = 0
    title: str = ""

    @property
    def of_song(self) -> str:
        """`` of Low Water``; empty for a song without a name."""
        return f" of {self.title}" if self.title else ""


def bar_order(drafts: Sequence[Draft], song: Song) -> BarOrder:
    """What the sheet says of the song's bars, at the rate that most of its files will have."""
    rates = Counter(draft.form.sample_rate_hz for draft in drafts)
    song_hz = None if song.facts is None else song.facts.sample_rate_hz
    rate_hz = max(rates, key=lambda rate: (rates[rate], rate), default=song_hz or USUAL_RATE_HZ)
    return BarOrder(
        timeline=timeline_of_song(
            song.note, rate_hz, is_stamped=bool(stamped(drafts)), sheet_hz=song_hz
        ),
        count_in_bars=0 if song.note is None else song.note.count_in_bars or 0,
        title=song.title,
    )


def reference_at(timeline: SongTimeline, begins: int) -> StartReference:
    """Tell where bar 1 lies for files whose first sample is ``begins`` on its timeline."""
    assert timeline.bar_1_sample is not None, "no reference to a bar that is not known"
    is_sayable = timeline.is_stamped and begins >= 0
    start = timeline.timecode_of(begins) if is_sayable else None
    bar_1 = timeline.timecode_of(timeline.bar_1_sample) if is_sayable else None
    place = timeline.bar_beat_at(begins) if timeline.has_bars else None
    return StartReference(
        rate_hz=timeline.rate_hz,
        bar_1_samples=timeline.bar_1_sample - begins,
        start_samples=max(0, begins) if timeline.is_stamped else None,
        start_bar=None if place is None else str(place),
        is_on_bar_line=place is not None and place.is_bar_line,
        start_timecode=None if start is None else str(start[0]),
        start_timecode_samples=0 if start is None else start[1],
        bar_1_timecode=None if bar_1 is None else str(bar_1[0]),
        frame_rate=timeline.frame_rate if start else None,
    )
