"""Geometry of one file's waveform picture and of the rows that show where findings hold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.model.facts import Overview
from stemprep.model.finding import Finding, Occurrence
from stemprep.units import clock_from_samples

WIDTH = 900.0
LANE_HEIGHT = 64.0
ROW_HEIGHT = 18.0
AXIS_HEIGHT = 20.0
MIN_MARK_WIDTH = 2.0
MAX_LANES = 8
MAX_TICKS = 10
LAST_LABEL = 0.95  # of the length; a later label would stand outside
_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One channel: SVG path of its envelope, its middle line and where full scale stands."""

    path: str
    middle: float
    full_scale: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One place of a finding: left edge and width of its bar, middle for its shape.

    band_top, band_height: the lanes it holds in, one channel's or all.
    """

    x: float
    width: float
    middle: float
    band_top: float
    band_height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """The places of one finding on a line of their own below the lanes."""

    y: float
    number: int
    severity: str
    label: str
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A time on the axis."""

    x: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Everything a template needs to draw one file; lengths in SVG user units."""

    width: float
    height: float
    lanes_height: float
    lanes: tuple[Lane, ...]
    hidden_lanes: int
    rows: tuple[Row, ...]
    ticks: tuple[Tick, ...]


def picture(
    overview: Overview, frames: int, rate_hz: int, findings: Sequence[tuple[int, Finding]]
) -> Picture:
    """Lay out the picture; ``findings`` come with the number they bear in the file's list."""
    shown = min(len(overview.minimum), MAX_LANES)
    lanes = tuple(
        _lane(overview.minimum[channel], overview.maximum[channel], channel * LANE_HEIGHT)
        for channel in range(shown)
    )
    lanes_height = shown * LANE_HEIGHT
    placed = [(number, each) for number, each in findings if each.spots]
    rows = tuple(
        _row(number, each, frames, shown, lanes_height + AXIS_HEIGHT + index * ROW_HEIGHT)
        for index, (number, each) in enumerate(placed)
    )
    return Picture(
        width=WIDTH,
        height=lanes_height + AXIS_HEIGHT + len(rows) * ROW_HEIGHT,
        lanes_height=lanes_height,
        lanes=lanes,
        hidden_lanes=len(overview.minimum) - shown,
        rows=rows,
        ticks=time_ticks(frames, rate_hz),
    )


def _lane(minimum: Sequence[float], maximum: Sequence[float], top: float) -> Lane:
    """Draw the envelope to the larger of full scale and the channel's own peak."""
    finite = [abs(value) for value in (*minimum, *maximum) if math.isfinite(value)]
    reach = max(1.0, *finite) if finite else 1.0
    middle, scale = top + LANE_HEIGHT / 2, (LANE_HEIGHT / 2 - 2) / reach
    step = WIDTH / max(len(maximum), 1)

    def point(column: float, value: float) -> str:
        level = value if math.isfinite(value) else 0.0
        return f"{column * step:.1f} {middle - level * scale:.1f}"

    upper = [point(column + 0.5, value) for column, value in enumerate(maximum)]
    lower = [point(column + 0.5, value) for column, value in enumerate(minimum)]
    path = f"M{'L'.join([*upper, *reversed(lower)])}Z" if upper else ""
    return Lane(path=path, middle=middle, full_scale=(middle - scale, middle + scale))


def _row(number: int, finding: Finding, frames: int, lanes: int, y: float) -> Row:
    spots = finding.spots
    return Row(
        y=y,
        number=number,
        severity=finding.severity if finding.counts else "waived",
        label=finding.check,
        marks=tuple(_mark(spot, frames, lanes) for spot in spots),
    )


def _mark(spot: Occurrence, frames: int, lanes: int) -> Mark:
    """Clamped to the picture and never too thin to be seen."""
    per_frame = WIDTH / max(frames, 1)
    begin = min(max(spot.start_sample, 0), frames) * per_frame
    end = min(max(spot.end_sample, 0), frames) * per_frame
    width = max(end - begin, MIN_MARK_WIDTH)
    x = min(begin, WIDTH - width)
    is_one_lane = spot.channel is not None and 1 <= spot.channel <= lanes
    return Mark(
        x=round(x, 1),
        width=round(width, 1),
        middle=round(x + width / 2, 1),
        band_top=(spot.channel - 1) * LANE_HEIGHT if is_one_lane and spot.channel else 0.0,
        band_height=(1 if is_one_lane else lanes) * LANE_HEIGHT,
    )


def time_ticks(frames: int, rate_hz: int) -> tuple[Tick, ...]:
    """Times below a picture of ``WIDTH``, at most ``MAX_TICKS``, at round steps."""
    seconds = frames / rate_hz
    if not seconds:
        return ()
    step = next((each for each in _STEPS_S if seconds / each <= MAX_TICKS), seconds)
    count = int(seconds / step) + 1
    return tuple(
        Tick(
            x=round(number * step / seconds * WIDTH, 1),
            label=_tick_label(number * step, rate_hz, step),
        )
        for number in range(count)
        if number * step / seconds <= LAST_LABEL
    )


def _tick_label(time_s: float, rate_hz: int, step_s: float) -> str:
    """Without thousandths where the step is whole seconds."""
    clock = clock_from_samples(round(time_s * rate_hz), rate_hz)
    return clock.rpartition(".")[0] if step_s >= 1 else clock
