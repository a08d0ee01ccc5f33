"""Tempo and meter of a map, change by change, in the words that markers carry."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from stemprep.timeline.tempo_map import TempoMap, TempoSpan


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A tempo or a meter from one place on, in quarter notes after bar 1."""

    kind: Literal["tempo", "meter"]
    quarter: Fraction
    words: str


def changes_between(tempo_map: TempoMap, start: Fraction, end: Fraction) -> Iterator[Change]:
    """Yield what holds at ``start``, there, and every later change before ``end``, in order."""
    found = [*_tempos(tempo_map), *_meters(tempo_map)]
    now = {change.kind: change for change in found if change.quarter <= start}
    first = {change.kind: change for change in reversed(found)} | now
    for kind in sorted(first):
        change = first[kind]
        yield Change(kind=change.kind, quarter=start, words=change.words)
    later = [change for change in found if start < change.quarter < end]
    yield from sorted(
        (change for change in later if change is not first[change.kind]),
        key=lambda change: (change.quarter, change.kind),
    )


def _tempos(tempo_map: TempoMap) -> Iterator[Change]:
    for span in tempo_map.tempos:
        yield Change(kind="tempo", quarter=span.start, words=_tempo_words(span))


def _tempo_words(span: TempoSpan) -> str:
    glide = {0: "", 1: ", slowing down", -1: ", speeding up"}
    slope = (span.slope_s > 0) - (span.slope_s < 0)
    return f"{float(60 / span.period_s):.6g} quarter notes a minute{glide[slope]}"


def _meters(tempo_map: TempoMap) -> Iterator[Change]:
    for span in tempo_map.meters:
        yield Change(kind="meter", quarter=span.start, words=f"{span.beats}/{span.unit}")
