"""The speeds that returned takes have by a slip of the trade, and their likely causes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from stemprep.lineage.placing import Timeline
from stemprep.model.reconciliation import SpeedCause, TakeSpeed

# Between 30 and 29.97 frames a second (SMPTE ST 12-1, from memory).
PULL = Fraction(1001, 1000)
# 24 frames a second shown at 25 (common practice of PAL transfers).
FILM = Fraction(25, 24)
USUAL_RATES_HZ = (32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
"""AES5-2018 names 48, 44.1, 96, 32 kHz and their multiples."""
# Some ten times what two machines without a common clock differ by.
MOST_BY_CLOCK_PPM = 300.0
# As for wrong labels (``checks/wrong_rate_label.py``): exports agree to the sample.
SAME_LENGTH_S = Fraction(1, 1000)
MIN_GAP_S = Fraction(1, 100)
"""Shorter differences of length are latency, whatever their ratio."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualSpeed:
    """A speed that has a known cause; ratio: how many times as long the take lasts for it."""

    ratio: Fraction
    cause: SpeedCause


def usual_speeds(label_hz: int) -> tuple[UsualSpeed, ...]:
    """Every speed that a take with this label may have by one slip of the trade."""
    pulls = [UsualSpeed(ratio=ratio, cause="pull") for ratio in (PULL, 1 / PULL)]
    films = [UsualSpeed(ratio=ratio, cause="film") for ratio in (FILM, 1 / FILM)]
    labels = [
        UsualSpeed(ratio=Fraction(rate_hz, label_hz), cause="label")
        for rate_hz in USUAL_RATES_HZ
        if rate_hz != label_hz and Fraction(1, 2) <= Fraction(rate_hz, label_hz) <= 2
    ]
    return (*pulls, *labels, *films)


def cause_of(ratio: float, label_hz: int) -> SpeedCause:
    """The likeliest cause of a speed: two clocks differ by little, slips by exact ratios."""
    if abs(ratio - 1.0) * 1e6 <= MOST_BY_CLOCK_PPM:
        return "clock"
    near: Iterator[UsualSpeed] = (
        each
        for each in usual_speeds(label_hz)
        if abs(ratio / float(each.ratio) - 1.0) * 1e6 <= MOST_BY_CLOCK_PPM
    )
    return next((each.cause for each in near), "unknown")


def true_rate_hz(speed: TakeSpeed, label_hz: int) -> float:
    """The rate at which a take's samples run; of a usual slip where that is as near as measured."""
    near = (
        each.ratio
        for each in usual_speeds(label_hz)
        if abs(speed.ratio / float(each.ratio) - 1.0) * 1e6 <= 2 * speed.error_ppm
    )
    usual = next(near, None)
    return speed.ratio * label_hz if usual is None else float(usual * label_hz)


def speed_by_length(frames: int, rate_hz: int, timeline: Timeline) -> UsualSpeed | None:
    """The speed at which a file lasts exactly as long as the session; None for its own, or none."""
    own_s = Fraction(frames, rate_hz)
    session_s = Fraction(timeline.frames, timeline.rate_hz)
    if session_s <= 0 or abs(own_s - session_s) < MIN_GAP_S:
        return None
    fitting = [
        (abs(own_s / speed.ratio - session_s), number, speed)
        for number, speed in enumerate(usual_speeds(rate_hz))
        if abs(own_s / speed.ratio - session_s) <= SAME_LENGTH_S
    ]
    return min(fitting)[2] if fitting else None
