"""The bars of one song on its session's timeline, in samples.

Bar 1 is rounded to a whole sample once, because everything is placed against it; every other beat
is rounded once, from its exact distance to bar 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from stemprep.model.sheet import BarOne, Section, SongNote
from stemprep.model.timecode import FrameRate, Timecode, parse_timecode
from stemprep.timeline.building import map_of_marks, map_of_midi
from stemprep.timeline.tempo_map import BarBeat, TempoMap
from stemprep.timeline.timecode import (
    nearest_sample,
    second_of_timecode,
    timecode_of_sample,
)

MAX_BEFORE_S = 1800
"""Bar 1 farther before the first file than this is taken for a slip (common practice)."""

NO_BAR_1 = "the session sheet does not say where bar 1 lies"
NO_TIME_REFERENCE = (
    "the session sheet gives bar 1 as a timecode, but no file has a time reference, so nothing "
    "says where in the files that is; give bar_1 in samples from the start of the files"
)
NO_TEMPO = "the session sheet gives neither a tempo_map nor a tempo_file"
FREE_TIME = "the session sheet says that the song is in free time"


@dataclass(frozen=True, kw_only=True)
class SongTimeline:
    """Where the bars of one song lie.

    rate_hz:      of all samples here.
    tempo_map:    None where ``no_map`` says why there is none.
    bar_1_sample: on the session's timeline, as time references count; from the start of the files
                  where ``is_stamped`` is false. None where ``no_bar_1`` says why it is not known.
    frame_rate:   of the timecode that the sheet gives; None without one.
    """

    rate_hz: int
    is_stamped: bool
    tempo_map: TempoMap | None = None
    bar_1_sample: int | None = None
    frame_rate: FrameRate | None = None
    sections: tuple[Section, ...] = ()
    no_bar_1: str = ""
    no_map: str = ""

    @property
    def has_bars(self) -> bool:
        """Tell whether every bar has its sample."""
        return self.tempo_map is not None and self.bar_1_sample is not None

    def is_bar_1_within(self, start: int, end: int) -> bool:
        """Tell whether bar 1 can be right for files between two samples of the timeline."""
        bar_1 = self.bar_1_sample
        return bar_1 is not None and start - MAX_BEFORE_S * self.rate_hz <= bar_1 <= end

    @cached_property
    def _known(self) -> tuple[TempoMap, int]:
        assert self.tempo_map is not None, "asked for bars without a tempo map"
        assert self.bar_1_sample is not None, "asked for bars without bar 1"
        return self.tempo_map, self.bar_1_sample

    def sample_of(self, bar: int, beat: Fraction | int = 1) -> int:
        """Sample of a beat (from 1), as ``bar_1_sample`` counts; needs ``has_bars``."""
        tempo_map, bar_1 = self._known
        return bar_1 + nearest_sample(tempo_map.second_of_bar(bar, beat), self.rate_hz)

    def sample_of_quarter(self, quarter: Fraction) -> int:
        """Sample of a place in quarter notes after bar 1; needs ``has_bars``."""
        tempo_map, bar_1 = self._known
        return bar_1 + nearest_sample(tempo_map.second_of(quarter), self.rate_hz)

    def bar_beat_at(self, sample: int) -> BarBeat:
        """Bar and beat that a sample lies in; the sample of a beat lies in that beat.

        ``fraction`` is 0 on the beat's sample. Needs ``has_bars``.
        """
        tempo_map, bar_1 = self._known
        quarter = tempo_map.quarter_at(Fraction(sample - bar_1, self.rate_hz))
        found = tempo_map.bar_beat_at(quarter)
        later = self._next_beat(found)
        if self.sample_of(later.bar, later.beat) <= sample:
            found = later
        elif self.sample_of(found.bar, found.beat) > sample:
            before = tempo_map.quarter_of(found.bar, found.beat) - _LITTLE
            found = tempo_map.bar_beat_at(before)
        if self.sample_of(found.bar, found.beat) == sample:
            return BarBeat(bar=found.bar, beat=found.beat)
        return found

    def _next_beat(self, place: BarBeat) -> BarBeat:
        tempo_map, _ = self._known
        meter = tempo_map.meter_of(place.bar)
        quarter = tempo_map.quarter_of(place.bar, place.beat) + meter.beat_quarters
        # A meter that begins inside a bar cuts its last beat short.
        starts = (span.start for span in tempo_map.meters if span.bar == place.bar + 1)
        return _on_beat(tempo_map.bar_beat_at(min([quarter, *starts])))

    def timecode_of(self, sample: int) -> tuple[Timecode, int] | None:
        """Timecode of a sample of a stamped song, and samples into its frame; None without."""
        if self.frame_rate is None or not self.is_stamped:
            return None
        return timecode_of_sample(sample, self.rate_hz, self.frame_rate)


_LITTLE = Fraction(1, 1 << 20)


def _on_beat(place: BarBeat) -> BarBeat:
    return BarBeat(bar=place.bar, beat=place.beat)


def timeline_of_song(
    note: SongNote | None, rate_hz: int, *, is_stamped: bool, sheet_hz: int | None = None
) -> SongTimeline:
    """Give the timeline of what the sheet says of a song; ``is_stamped``: its files tell the time.

    rate_hz:  of the samples given; sheet_hz: of those the sheet states, None for the same.
    Nothing is guessed: what the sheet does not say is told in ``no_bar_1`` and ``no_map``.
    """
    if note is None:
        return SongTimeline(
            rate_hz=rate_hz, is_stamped=is_stamped, no_bar_1=NO_BAR_1, no_map=NO_TEMPO
        )
    tempo_map, no_map = _map(note)
    bar_1_s, no_bar_1 = _bar_1_s(note.bar_1, sheet_hz or rate_hz, is_stamped=is_stamped)
    return SongTimeline(
        rate_hz=rate_hz,
        is_stamped=is_stamped,
        tempo_map=tempo_map,
        bar_1_sample=None if bar_1_s is None else nearest_sample(bar_1_s, rate_hz),
        frame_rate=None if note.bar_1 is None else note.bar_1.frame_rate,
        sections=note.sections or _markers(note, tempo_map),
        no_bar_1=no_bar_1,
        no_map=no_map,
    )


def _map(note: SongNote) -> tuple[TempoMap | None, str]:
    if note.is_free_time:
        return None, FREE_TIME
    if note.tempo_map:
        return map_of_marks(note.tempo_map), ""
    if note.tempo_read is not None:
        return map_of_midi(note.tempo_read), ""
    return None, NO_TEMPO


def _bar_1_s(
    bar_1: BarOne | None, sheet_hz: int, *, is_stamped: bool
) -> tuple[Fraction | None, str]:
    if bar_1 is None:
        return None, NO_BAR_1
    if bar_1.samples is not None:
        return Fraction(bar_1.samples, sheet_hz), ""
    assert bar_1.timecode is not None, "the sheet's schema wants timecode or samples"
    assert bar_1.frame_rate is not None, "the sheet's schema wants a frame rate with a timecode"
    if not is_stamped:
        return None, NO_TIME_REFERENCE
    return second_of_timecode(parse_timecode(bar_1.timecode, bar_1.frame_rate)), ""


def _markers(note: SongNote, tempo_map: TempoMap | None) -> tuple[Section, ...]:
    """Markers of the tempo file that lie on bar lines, where the sheet names no sections."""
    if note.tempo_read is None or tempo_map is None:
        return ()
    sections: dict[int, Section] = {}
    for tick, text in note.tempo_read.markers:
        place = tempo_map.bar_beat_at(Fraction(tick, note.tempo_read.ticks_per_quarter))
        if place.beat == 1 and place.fraction == 0:
            sections.setdefault(place.bar, Section(name=text, bar=place.bar))
    return tuple(sections.values())
