"""Where bars and beats lie in time: exact rationals throughout, nothing is rounded here.

Quarter notes count from bar 1, beat 1; so do seconds. Bars before 1 are 0, -1 and so on. What lies
before the first entry of a map goes on backwards with its tempo and meter.

A ramp makes each beat longer (or shorter) than the one before by the same amount: the length of a
quarter note is linear in the quarters passed, p(q) = p0 + (p1 - p0) q/Q, so that the time at q is
p0 q + (p1 - p0) q^2 / 2Q, a rational number for every rational q. No standard says how a tempo
glides; where a session glides otherwise, its own MIDI file tells the truth.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterSpan:
    """Bars of one meter: from ``bar``, whose first beat lies ``start`` quarters after bar 1."""

    bar: int
    start: Fraction
    beats: int
    unit: int

    @property
    def beat_quarters(self) -> Fraction:
        """Length of one beat, quarter notes."""
        return Fraction(4, self.unit)

    @property
    def bar_quarters(self) -> Fraction:
        """Length of one bar, quarter notes."""
        return Fraction(4 * self.beats, self.unit)


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoSpan:
    """One tempo or one glide.

    start:    quarters after bar 1; start_s: seconds after bar 1.
    period_s: length of a quarter note at the start; slope_s: what it grows by, a quarter note.
    """

    start: Fraction
    start_s: Fraction
    period_s: Fraction
    slope_s: Fraction = Fraction(0)

    def second_of(self, quarter: Fraction) -> Fraction:
        """Seconds after bar 1; before the span its first tempo holds."""
        passed = quarter - self.start
        if passed <= 0 or not self.slope_s:
            return self.start_s + passed * self.period_s
        return self.start_s + passed * (self.period_s + self.slope_s * passed / 2)

    def period_at(self, quarter: Fraction) -> Fraction:
        """Length of a quarter note there, seconds."""
        return self.period_s + max(Fraction(0), quarter - self.start) * self.slope_s


@dataclass(frozen=True, slots=True, kw_only=True)
class BarBeat:
    """A place in the music: bar, beat from 1, and how far into that beat (0 up to 1)."""

    bar: int
    beat: int
    fraction: Fraction = Fraction(0)

    @property
    def is_bar_line(self) -> bool:
        """True on the first beat of a bar."""
        return self.beat == 1 and not self.fraction

    def __str__(self) -> str:
        """``12.3``: bar 12, beat 3."""
        return f"{self.bar}.{self.beat}"


@dataclass(frozen=True, kw_only=True)
class TempoMap:
    """Tempo and meter of one song; both rise and hold at least one span."""

    meters: tuple[MeterSpan, ...]
    tempos: tuple[TempoSpan, ...]

    @cached_property
    def _bars(self) -> list[int]:
        return [span.bar for span in self.meters]

    @cached_property
    def _meter_starts(self) -> list[Fraction]:
        return [span.start for span in self.meters]

    @cached_property
    def _tempo_starts(self) -> list[Fraction]:
        return [span.start for span in self.tempos]

    @cached_property
    def _tempo_starts_s(self) -> list[Fraction]:
        return [span.start_s for span in self.tempos]

    def meter_of(self, bar: int) -> MeterSpan:
        """The meter of a bar."""
        return self.meters[max(0, bisect_right(self._bars, bar) - 1)]

    def quarter_of(self, bar: int, beat: Fraction | int = 1) -> Fraction:
        """Quarters from bar 1 to a beat (from 1; a fraction lies between beats)."""
        meter = self.meter_of(bar)
        return (
            meter.start
            + (bar - meter.bar) * meter.bar_quarters
            + (beat - 1) * (meter.beat_quarters)
        )

    def bar_beat_at(self, quarter: Fraction) -> BarBeat:
        """The bar and beat that a place in quarters after bar 1 lies in."""
        meter = self.meters[max(0, bisect_right(self._meter_starts, quarter) - 1)]
        bars, rest = divmod(quarter - meter.start, meter.bar_quarters)
        beats, rest = divmod(rest, meter.beat_quarters)
        return BarBeat(
            bar=meter.bar + int(bars), beat=int(beats) + 1, fraction=rest / meter.beat_quarters
        )

    @property
    def is_gliding(self) -> bool:
        """True where the tempo glides somewhere."""
        return any(span.slope_s for span in self.tempos)

    def tempo_span_at(self, quarter: Fraction) -> TempoSpan:
        """The tempo that holds from a place on."""
        return self.tempos[max(0, bisect_right(self._tempo_starts, quarter) - 1)]

    def second_of(self, quarter: Fraction) -> Fraction:
        """Seconds from bar 1 to a place in quarters after bar 1."""
        return self.tempo_span_at(quarter).second_of(quarter)

    def second_of_bar(self, bar: int, beat: Fraction | int = 1) -> Fraction:
        """Seconds from bar 1 to a beat."""
        return self.second_of(self.quarter_of(bar, beat))

    def quarter_at(self, second: Fraction) -> Fraction:
        """Quarters after bar 1; exact in a steady tempo, within 1e-9 of a quarter in a glide."""
        span = self.tempos[max(0, bisect_right(self._tempo_starts_s, second) - 1)]
        passed_s = second - span.start_s
        if passed_s <= 0 or not span.slope_s:
            return span.start + passed_s / span.period_s
        root = float(span.period_s**2 + 2 * span.slope_s * passed_s) ** 0.5
        # The usual form of the solution cancels for small slopes; this one does not.
        passed = 2 * passed_s / (span.period_s + Fraction(root))
        return span.start + passed

    def bpm_at(self, quarter: Fraction) -> Fraction:
        """Quarter notes a minute."""
        return 60 / self.tempo_span_at(quarter).period_at(quarter)
