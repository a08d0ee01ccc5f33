"""Geometry of sound in pictures: envelopes, times below them, places of findings over them.

Lengths along time are percentages, so that a page of any width draws neither its words nor its
shapes larger or smaller; envelopes are paths in a box of their own that is stretched to fit.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.dsp.companding import LARGEST, levels_of
from stemprep.model.closeup import Stretch
from stemprep.model.facts import Sound
from stemprep.model.finding import Finding
from stemprep.units import clock_from_samples

WIDTH = 900.0
MAX_LANES = 8
MAX_TICKS = 10
LAST_LABEL = 0.95  # of the length; a later label would stand outside
LANE_COLUMNS, STRIP_COLUMNS = 360, 150
LANE_BOX, STRIP_BOX = 100, 40
"""Height of an envelope's own box."""
MIN_BAR = 0.12
"""Width of a mark or bar at least, in per cent, so that it can be seen."""
_STEPS_S = (
    0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300,
    600, 900, 1800, 3600,
)  # fmt: skip

Levels = npt.NDArray[np.int8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A time on the axis; x in units of ``WIDTH``."""

    x: float
    label: str

    @property
    def at(self) -> str:
        """The same as a percentage."""
        return percent(self.x / WIDTH)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One place of a finding: left edge, width and middle."""

    x: str
    width: str
    middle: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """How many places of a finding lie in a stretch; height 0 to 1."""

    x: str
    width: str
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """The places of one finding: the worst as marks, all of a long list as bars."""

    number: int
    severity: str
    label: str
    marks: tuple[Mark, ...]
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One file: an envelope a channel, what a script zooms into, rows of findings.

    data: base64 of the levels of each lane (``Sound.waveform``).
    """

    lanes: tuple[str, ...]
    data: tuple[str, ...]
    hidden_lanes: int
    rows: tuple[Row, ...]
    ticks: tuple[Tick, ...]


def percent(share: float) -> str:
    """``12.34%``."""
    return f"{100 * share:.2f}%"


def levels(sound: Sound) -> list[Levels]:
    """Lowest and highest level of each column, shape (columns, 2), channel by channel."""
    if sound.waveform:
        return [np.frombuffer(each, dtype=np.int8).reshape(-1, 2) for each in sound.waveform]
    pairs = zip(sound.overview.minimum, sound.overview.maximum, strict=True)
    return [
        levels_of(np.array([low, high], dtype=np.float64).reshape(2, -1).T) for low, high in pairs
    ]


def picture(
    sound: Sound, rate_hz: int, findings: Sequence[tuple[int, Finding]], frames: int
) -> Picture:
    """Lay out one file; ``findings`` come with the number they bear in the file's list."""
    found = levels(sound)
    shown = found[:MAX_LANES]
    return Picture(
        lanes=tuple(envelope(_fewer(each, LANE_COLUMNS), LANE_BOX) for each in shown),
        data=tuple(base64.b64encode(each.tobytes()).decode("ascii") for each in shown),
        hidden_lanes=len(found) - len(shown),
        rows=tuple(finding_row(number, each, frames) for number, each in findings if each.spots),
        ticks=time_ticks(frames, rate_hz),
    )


def finding_row(number: int, finding: Finding, frames: int) -> Row:
    """Where one finding holds in its file."""
    return Row(
        number=number,
        severity=finding.severity if finding.counts else "waived",
        label=finding.check,
        marks=tuple(mark(spot.start_sample, spot.end_sample, frames) for spot in finding.spots),
        bars=density_bars(finding, frames),
    )


def mark(start: int, end: int, frames: int) -> Mark:
    """Clamped to the picture and never too thin to be seen."""
    begin, stop = (100 * min(max(each, 0), frames) / max(frames, 1) for each in (start, end))
    width = max(stop - begin, MIN_BAR)
    x = min(begin, 100 - width)
    return Mark(x=f"{x:.2f}%", width=f"{width:.2f}%", middle=f"{x + width / 2:.2f}%")


def density_bars(finding: Finding, frames: int) -> tuple[Bar, ...]:
    """All places of a long list; none where the marks are all."""
    density = None if finding.occurrences is None else finding.occurrences.density
    if density is None:
        return ()
    most = math.log1p(max(density.counts))
    width = max(100 * density.stretch_samples / max(frames, 1), MIN_BAR)
    return tuple(
        Bar(
            x=percent(place * density.stretch_samples / max(frames, 1)),
            width=f"{width:.2f}%",
            height=round(math.log1p(count) / most, 2),
        )
        for place, count in enumerate(density.counts)
        if count and place * density.stretch_samples < frames
    )


def silhouette(sound: Sound) -> str:
    """How loud the file is over time, all channels together, quiet sound drawn large."""
    found = [np.abs(each.astype(np.int16)).max(axis=1) for each in levels(sound) if len(each)]
    if not found:
        return ""
    sizes = _highest(np.max(found, axis=0), STRIP_COLUMNS)
    half = STRIP_BOX // 2
    heights = np.ceil(sizes * half / LARGEST).astype(int)
    upper = [f"{column} {half - height}h1" for column, height in enumerate(heights)]
    lower = [f"{column + 1} {half + height}h-1" for column, height in enumerate(heights)][::-1]
    return f"M{'L'.join([*upper, *lower])}Z"


def columns_of(path: str) -> int:
    """How many columns a silhouette has: the width of its box."""
    return max(path.count("h1"), 1)


def level_over_time_dbfs(sound: Sound, columns: int) -> list[float]:
    """Peak of all channels in equal stretches; -inf in silence."""
    found = [np.abs(each.astype(np.int16)).max(axis=1) for each in levels(sound) if len(each)]
    if not found:
        return []
    sizes = _highest(np.max(found, axis=0), columns)
    return [40 * math.log10(size / LARGEST) if size else -math.inf for size in sizes]


def envelope(found: Levels, height: int, reach: float = 1.0) -> str:
    """A closed path, one unit a column, in a box of ``height``, full of ``reach`` at its edges."""
    if not len(found):
        return ""
    values = _values(found) / reach
    tops = height / 2 * (1 - values)
    upper = [f"{column} {y:.0f}" for column, y in enumerate(tops[:, 1])]
    lower = [f"{column} {y + 1:.0f}" for column, y in enumerate(tops[:, 0])]
    return f"M{'L'.join([*upper, *reversed(lower)])}Z"


def stretch_picture(stretch: Stretch, height: int) -> tuple[str, int, float]:
    """Path of a piece drawn to its own peak, how many columns it has, and that peak."""
    found = np.frombuffer(stretch.levels, dtype=np.int8).reshape(-1, 2)
    peak = float(np.abs(_values(found)).max(initial=0.0))
    return envelope(found, height, peak or 1.0), len(found), peak


def _values(found: Levels) -> npt.NDArray[np.float64]:
    shares = found.astype(np.float64) / LARGEST
    return np.asarray(np.sign(shares) * shares**2)


def _fewer(found: Levels, columns: int) -> Levels:
    count = min(columns, len(found))
    if not count:
        return found
    starts = np.arange(count) * len(found) // count
    low = np.minimum.reduceat(found[:, 0], starts)
    high = np.maximum.reduceat(found[:, 1], starts)
    return np.stack([low, high], axis=1)


def _highest(sizes: npt.NDArray[np.int16], columns: int) -> npt.NDArray[np.int16]:
    count = min(columns, len(sizes))
    return np.maximum.reduceat(sizes, np.arange(count) * len(sizes) // count)


def time_ticks(
    frames: int, rate_hz: int, start: int = 0, most: int = MAX_TICKS
) -> tuple[Tick, ...]:
    """Times below a picture of ``WIDTH``, at most ``most``, at round steps; start: its first."""
    seconds, begin = frames / rate_hz, start / rate_hz
    if not seconds:
        return ()
    step = next((each for each in _STEPS_S if seconds / each <= most), seconds)
    first, last = math.ceil(begin / step), int((begin + seconds) / step)
    return tuple(
        Tick(
            x=round((number * step - begin) / seconds * WIDTH, 1),
            label=_tick_label(number * step, rate_hz, step),
        )
        for number in range(first, last + 1)
        if (number * step - begin) / seconds <= LAST_LABEL
    )


def _tick_label(time_s: float, rate_hz: int, step_s: float) -> str:
    """Without thousandths where the step is whole seconds."""
    clock = clock_from_samples(round(time_s * rate_hz), rate_hz)
    return clock.rpartition(".")[0] if step_s >= 1 else clock
