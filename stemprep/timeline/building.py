"""A tempo map from what people write or drop: a list of changes, or a MIDI file's events."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

from stemprep.model.sheet import MidiTempo, TempoMark
from stemprep.timeline.tempo_map import MeterSpan, TempoMap, TempoSpan

USUAL_METER = (4, 4)  # what a Standard MIDI File means without a time signature
MIDI_DEFAULT_US = 500_000  # a quarter note without a tempo event: 120 a minute
_MICROSECONDS = 1_000_000


def map_of_marks(marks: Sequence[TempoMark]) -> TempoMap:
    """Give the map of a sheet's list, whose bars rise.

    A tempo is in quarter notes a minute, read as the decimal number that was written. A ramp goes
    on to the next entry that states a tempo. Raises ValueError for a list without a first tempo
    and for a ramp that leads nowhere.
    """
    if not marks or marks[0].tempo_bpm is None:
        raise ValueError("the first entry gives no tempo_bpm")
    meters = _meters(marks)
    plain = TempoMap(meters=meters, tempos=(_START,))
    return TempoMap(meters=meters, tempos=_tempos(marks, plain))


_START = TempoSpan(start=Fraction(0), start_s=Fraction(0), period_s=Fraction(1))


def _meters(marks: Sequence[TempoMark]) -> tuple[MeterSpan, ...]:
    """Meters with bar 1 at zero; the first holds for all bars before it as well."""
    beats, unit = _meter(marks[0].meter) or USUAL_METER
    spans = [MeterSpan(bar=marks[0].bar, start=Fraction(0), beats=beats, unit=unit)]
    for mark in marks[1:]:
        meter = _meter(mark.meter)
        if meter is not None and meter != (spans[-1].beats, spans[-1].unit):
            last = spans[-1]
            start = last.start + (mark.bar - last.bar) * last.bar_quarters
            spans.append(MeterSpan(bar=mark.bar, start=start, beats=meter[0], unit=meter[1]))
    offset = TempoMap(meters=tuple(spans), tempos=(_START,)).quarter_of(1)
    return tuple(_meter_moved(span, -offset) for span in spans)


def _meter(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    beats, unit = text.split("/")
    return int(beats), int(unit)


def _meter_moved(span: MeterSpan, by: Fraction) -> MeterSpan:
    return MeterSpan(bar=span.bar, start=span.start + by, beats=span.beats, unit=span.unit)


def _tempos(marks: Sequence[TempoMark], bars: TempoMap) -> tuple[TempoSpan, ...]:
    """Spans with their places in quarters; seconds follow."""
    raw: list[tuple[Fraction, Fraction, Fraction]] = []
    period = Fraction(0)
    for index, mark in enumerate(marks):
        if mark.tempo_bpm is not None:
            period = period_of_bpm(mark.tempo_bpm)
        elif not mark.is_ramp:
            continue
        start, slope = bars.quarter_of(mark.bar), Fraction(0)
        if mark.is_ramp:
            end_bar, end_period = _goal(marks[index + 1 :])
            slope = (end_period - period) / (bars.quarter_of(end_bar) - start)
        raw.append((start, period, slope))
    return spans_from(raw)


def _goal(later: Sequence[TempoMark]) -> tuple[int, Fraction]:
    for mark in later:
        if mark.tempo_bpm is not None:
            return mark.bar, period_of_bpm(mark.tempo_bpm)
    raise ValueError("a ramp has no later entry with a tempo_bpm to glide to")


def period_of_bpm(bpm: float) -> Fraction:
    """Length of a quarter note, seconds; 93.1 is taken as 931/10, not as the nearest binary."""
    return 60 / Fraction(str(bpm))


def spans_from(raw: Sequence[tuple[Fraction, Fraction, Fraction]]) -> tuple[TempoSpan, ...]:
    """Spans from (start in quarters, period, slope), which rise; second 0 is at quarter 0."""
    spans = [TempoSpan(start=raw[0][0], start_s=Fraction(0), period_s=raw[0][1], slope_s=raw[0][2])]
    for start, period, slope in raw[1:]:
        start_s = spans[-1].second_of(start)
        spans.append(TempoSpan(start=start, start_s=start_s, period_s=period, slope_s=slope))
    offset_s = TempoMap(meters=(_ANY_METER,), tempos=tuple(spans)).second_of(Fraction(0))
    return tuple(
        TempoSpan(
            start=span.start,
            start_s=span.start_s - offset_s,
            period_s=span.period_s,
            slope_s=span.slope_s,
        )
        for span in spans
    )


_ANY_METER = MeterSpan(bar=1, start=Fraction(0), beats=4, unit=4)


def map_of_midi(midi: MidiTempo) -> TempoMap:
    """Give the map of a MIDI file, whose first tick is bar 1.

    A meter that changes inside a bar ends that bar early. Before the first event the defaults of
    the file format hold: 120 quarter notes a minute, 4/4.
    """
    division = midi.ticks_per_quarter
    meters = [(0, *USUAL_METER), *midi.meters]
    spans: list[MeterSpan] = []
    for (tick, beats, unit), end in zip(
        meters, [*(tick for tick, _, _ in meters[1:]), None], strict=True
    ):
        start = Fraction(tick, division)
        if end == tick or (spans and (spans[-1].beats, spans[-1].unit) == (beats, unit)):
            continue
        bar = 1 if not spans else spans[-1].bar + _bars_until(spans[-1], start)
        spans.append(MeterSpan(bar=bar, start=start, beats=beats, unit=unit))
    raw = [
        (Fraction(tick, division), Fraction(microseconds, _MICROSECONDS), Fraction(0))
        for tick, microseconds in _last_of_each([(0, MIDI_DEFAULT_US), *midi.tempos])
    ]
    return TempoMap(meters=tuple(spans), tempos=spans_from(raw))


def _bars_until(span: MeterSpan, start: Fraction) -> int:
    """Bars of a span before ``start``; one that is cut short counts."""
    return -((span.start - start) // span.bar_quarters)


def _last_of_each(events: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Of several events on one tick the last holds; equal neighbours are one."""
    kept = [now for now, later in pairwise(events) if now[0] != later[0]]
    kept.append(events[-1])
    return [
        event for index, event in enumerate(kept) if not index or event[1] != kept[index - 1][1]
    ]
