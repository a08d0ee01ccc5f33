"""A tempo map as a Standard MIDI File, format 1: what a session needs to count bars, and no notes.

RP-001, Standard MIDI Files 1.0: tempo in whole microseconds a quarter note, meter as a power of
two, both in the first track. Whole microseconds cannot hold every tempo, so each event makes up for
what those before it have left over: every bar lies within half a tick of its exact place.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from stemprep.timeline.tempo_map import MeterSpan, TempoMap, TempoSpan

TICKS_PER_QUARTER = 960
MAX_TICKS_PER_QUARTER = 0x7FFF
SLOWEST_QUARTER_US = 0xFFFFFF
"""Longest quarter note that a tempo event can hold: 3.576 a minute."""
_MICROSECONDS = 1_000_000
_GLIDE_STEPS = 4  # tempo events a quarter note inside a ramp
_CLOCKS_PER_QUARTER, _THIRTY_SECONDS_PER_QUARTER = 24, 8
_TEXT, _TRACK_NAME, _MARKER, _END, _TEMPO, _METER = 0x01, 0x03, 0x06, 0x2F, 0x51, 0x58
_HALF = Fraction(1, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A named place, in quarter notes after bar 1."""

    quarter: Fraction
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MapTrack:
    """A track that holds markers alone."""

    name: str
    markers: tuple[Marker, ...]


@dataclass(frozen=True, slots=True)
class _Event:
    tick: int
    rank: int
    content: bytes


def write_midi(
    tempo_map: TempoMap,
    start: Fraction,
    end: Fraction,
    *,
    name: str = "",
    texts: Sequence[str] = (),
    markers: Sequence[Marker] = (),
    tracks: Sequence[MapTrack] = (),
) -> bytes:
    """Give the file whose first tick is ``start`` and which goes on to ``end``.

    start, end: quarter notes after bar 1; the start has to be a bar line.
    name:    of the first track; texts: what stands at its start; markers: in the first track.
    tracks:  further tracks of markers. Markers outside start and end are left out.
    Raises ValueError for a tempo that is slower than a tempo event can hold.
    """
    division = _division(tempo_map)
    scale = _Scale(start=start, end=end, division=division)
    first = [
        _Event(0, 0, _meta(_TRACK_NAME, _text(name))),
        *(_Event(0, 1, _meta(_TEXT, _text(text))) for text in texts),
        *_meter_events(tempo_map, scale),
        *(
            _Event(scale.tick(quarter), 3, _meta(_TEMPO, quarter_us.to_bytes(3, "big")))
            for quarter, quarter_us in tempo_steps(tempo_map, start, end, division)
        ),
        *_marker_events(markers, scale),
    ]
    chunks = [_track(first, scale.tick(end))]
    for track in tracks:
        named = _Event(0, 0, _meta(_TRACK_NAME, _text(track.name)))
        chunks.append(_track([named, *_marker_events(track.markers, scale)], scale.tick(end)))
    header = b"".join(number.to_bytes(2, "big") for number in (1, len(chunks), division))
    return b"MThd" + len(header).to_bytes(4, "big") + header + b"".join(chunks)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    start: Fraction
    end: Fraction
    division: int

    def tick(self, quarter: Fraction) -> int:
        """Nearest tick, halves up; the start is tick 0."""
        return math.floor((quarter - self.start) * self.division + _HALF)

    def holds(self, quarter: Fraction) -> bool:
        return self.start <= quarter <= self.end


def _division(tempo_map: TempoMap) -> int:
    """960, or the least that also holds every place of a map that was read from a file."""
    places = [span.start for span in tempo_map.tempos]
    places += [span.start for span in tempo_map.meters]
    wanted = math.lcm(TICKS_PER_QUARTER, *{place.denominator for place in places})
    return wanted if wanted <= MAX_TICKS_PER_QUARTER else TICKS_PER_QUARTER


def _meter_events(tempo_map: TempoMap, scale: _Scale) -> Iterator[_Event]:
    """The meter that holds at the start, and every later one."""
    now = tempo_map.meter_of(tempo_map.bar_beat_at(scale.start).bar)
    yield _Event(0, 2, _meter(now))
    for span in tempo_map.meters:
        if scale.start < span.start < scale.end and span is not now:
            yield _Event(scale.tick(span.start), 2, _meter(span))


def _meter(span: MeterSpan) -> bytes:
    """Meter as RP-001 writes it: 6/8 is 06 03 24 08, a metronome beat of three eighths."""
    is_compound = span.unit >= 8 and span.beats > 3 and span.beats % 3 == 0
    beat = 3 if is_compound else 1
    clocks = max(1, beat * 4 * _CLOCKS_PER_QUARTER // span.unit)
    power = span.unit.bit_length() - 1
    return _meta(_METER, bytes((span.beats, power, clocks, _THIRTY_SECONDS_PER_QUARTER)))


def _marker_events(markers: Iterable[Marker], scale: _Scale) -> Iterator[_Event]:
    for marker in markers:
        if scale.holds(marker.quarter):
            yield _Event(scale.tick(marker.quarter), 4, _meta(_MARKER, _text(marker.text)))


def tempo_steps(
    tempo_map: TempoMap, start: Fraction, end: Fraction, division: int
) -> Iterator[tuple[Fraction, int]]:
    """Yield (quarters after bar 1, microseconds a quarter note): what the file says of tempo.

    A steady tempo is one step as long as its rounding adds up to less than half a tick at every
    bar; beyond that single bars make up for it. A ramp is a step for each sixteenth, beat and bar,
    each as long as it exactly is.
    """
    written = _Written(tempo_map, start)
    spans = _spans(tempo_map, start)
    stops = [*(span.start for span in spans[1:]), end]
    for span, next_start in zip(spans, stops, strict=True):
        begin, stop = max(start, span.start), min(next_start, end)
        if begin >= stop:
            continue
        if span.slope_s:
            yield from _gliding(tempo_map, written, begin, stop)
        else:
            yield from _steady(tempo_map, written, span, begin, stop, division)


def _spans(tempo_map: TempoMap, start: Fraction) -> list[TempoSpan]:
    """The span that holds at the start and all after it; a glide before its time is steady."""
    now = tempo_map.tempo_span_at(start)
    later = [span for span in tempo_map.tempos if span.start > start]
    if now.start > start:
        before = TempoSpan(start=start, start_s=now.second_of(start), period_s=now.period_s)
        return [before, *later]
    return [now, *later]


class _Written:
    """What the tempo events so far make of the time, beside what it exactly is."""

    def __init__(self, tempo_map: TempoMap, start: Fraction) -> None:
        self.tempo_map = tempo_map
        self.at = start
        self.second = tempo_map.second_of(start)
        self.quarter_us = 0

    def second_at(self, quarter: Fraction, quarter_us: int) -> Fraction:
        """Where a place would lie if this tempo held up to it."""
        return self.second + (quarter - self.at) * Fraction(quarter_us, _MICROSECONDS)

    def needed_us(self, quarter: Fraction) -> int:
        """Tempo that brings a place nearest to where it exactly is."""
        due = self.tempo_map.second_of(quarter) - self.second
        exact = due / (quarter - self.at) * _MICROSECONDS
        return min(SLOWEST_QUARTER_US, max(1, math.floor(exact + _HALF)))

    def error_s(self, quarter: Fraction, quarter_us: int) -> Fraction:
        """How far off a place would lie."""
        return abs(self.second_at(quarter, quarter_us) - self.tempo_map.second_of(quarter))

    def go_to(self, quarter: Fraction, quarter_us: int) -> Iterator[tuple[Fraction, int]]:
        """Hold a tempo up to a place; a step only where it is another one than before."""
        if quarter_us != self.quarter_us:
            yield self.at, quarter_us
        self.second, self.at = self.second_at(quarter, quarter_us), quarter
        self.quarter_us = quarter_us


def _steady(
    tempo_map: TempoMap,
    written: _Written,
    span: TempoSpan,
    begin: Fraction,
    stop: Fraction,
    division: int,
) -> Iterator[tuple[Fraction, int]]:
    usual_us = math.floor(span.period_s * _MICROSECONDS + _HALF)
    if usual_us > SLOWEST_QUARTER_US:
        raise ValueError("a tempo under 3.58 quarter notes a minute does not fit a MIDI file")
    limit_s = span.period_s / division / 2
    if written.error_s(stop, usual_us) < limit_s and written.error_s(begin, usual_us) < limit_s:
        yield from written.go_to(stop, usual_us)
        return
    for line in (*_bar_lines(tempo_map, begin, stop), stop):
        is_near = written.error_s(line, usual_us) < limit_s
        yield from written.go_to(line, usual_us if is_near else written.needed_us(line))


def _gliding(
    tempo_map: TempoMap, written: _Written, begin: Fraction, stop: Fraction
) -> Iterator[tuple[Fraction, int]]:
    steps = int((stop - begin) * _GLIDE_STEPS)
    places = {begin + Fraction(step, _GLIDE_STEPS) for step in range(1, steps + 1)}
    places.update(_beats(tempo_map, begin, stop))
    for place in sorted(place for place in (*places, stop) if begin < place <= stop):
        if place > written.at:
            yield from written.go_to(place, written.needed_us(place))


def _bar_lines(tempo_map: TempoMap, begin: Fraction, stop: Fraction) -> Iterator[Fraction]:
    """Bar lines between two places, neither included."""
    bar = tempo_map.bar_beat_at(begin).bar + 1
    while (line := tempo_map.quarter_of(bar)) < stop:
        yield line
        bar += 1


def _beats(tempo_map: TempoMap, begin: Fraction, stop: Fraction) -> Iterator[Fraction]:
    place = begin
    while place < stop:
        place += tempo_map.meter_of(tempo_map.bar_beat_at(place).bar).beat_quarters
        yield place
    yield from _bar_lines(tempo_map, begin, stop)


def _track(events: Iterable[_Event], end: int) -> bytes:
    body, tick = bytearray(), 0
    for event in sorted(events, key=lambda each: (each.tick, each.rank)):
        body += _number(event.tick - tick) + event.content
        tick = event.tick
    body += _number(max(0, end - tick)) + _meta(_END, b"")
    return b"MTrk" + len(body).to_bytes(4, "big") + bytes(body)


def _meta(kind: int, data: bytes) -> bytes:
    return bytes((0xFF, kind)) + _number(len(data)) + data


def _number(value: int) -> bytes:
    """Variable-length quantity: seven bits a byte, the first bit says that more follow."""
    parts = [value & 0x7F]
    while value := value >> 7:
        parts.append(value & 0x7F | 0x80)
    return bytes(reversed(parts))


def _text(text: str) -> bytes:
    """ISO 8859-1, which readers take where a file names no other set (MIDI RP-026, from memory).

    Letters that it lacks lose their accents, what then is left out of it is a ``?``.
    """
    letters = (_latin(c) for c in unicodedata.normalize("NFC", text))
    plain = "".join(c if c.isprintable() else " " for c in "".join(letters))
    return plain.encode("latin-1", "replace")


def _latin(char: str) -> str:
    if char <= "\xff":
        return char
    folded = unicodedata.normalize("NFKD", char)
    return "".join(c for c in folded if not unicodedata.combining(c))
