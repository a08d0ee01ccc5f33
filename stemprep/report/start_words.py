"""Where the files of a song begin and where bar 1 lies, in words and figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.model.plan import StartReference
from stemprep.report import figures
from stemprep.units import clock_from_samples, time_of_day_from_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class StartRow:
    """One point of the timeline in every way of counting; "" where that way is not known."""

    point: str
    bar: str
    timecode: str
    timeline: str
    in_file: str


def start_rows(start: StartReference | None) -> tuple[StartRow, ...]:
    """The files' first sample and bar 1; the latter only where it is known."""
    if start is None:
        return ()
    rows = [
        StartRow(
            point="Start of every file",
            bar=_bar(start.start_bar, is_on_line=start.is_on_bar_line),
            timecode=_timecode(start.start_timecode, start.start_timecode_samples),
            timeline=_since_midnight(start.start_samples, start.rate_hz),
            in_file=_samples(0, start.rate_hz),
        )
    ]
    if start.bar_1_samples is not None:
        at = None if start.start_samples is None else start.start_samples + start.bar_1_samples
        rows.append(
            StartRow(
                point="Bar 1",
                bar="bar 1, beat 1",
                timecode=start.bar_1_timecode or "",
                timeline=_since_midnight(at, start.rate_hz),
                in_file=_samples(start.bar_1_samples, start.rate_hz),
            )
        )
    return tuple(rows)


def columns_in_use(rows: Sequence[StartRow]) -> dict[str, bool]:
    """Which ways of counting are known; an empty column only takes room on paper."""
    return {
        "bar": any(row.bar for row in rows),
        "timecode": any(row.timecode for row in rows),
        "timeline": any(row.timeline for row in rows),
    }


def start_sentence(start: StartReference | None) -> str:
    """One sentence that tells where bar 1 is, or why nobody knows."""
    if start is None or start.bar_1_samples is None:
        why = "" if start is None or not start.unknown else f": {start.unknown}"
        return (
            f"Where bar 1 lies is not known{why}. All files keep their common start, which is the "
            "reference for everything; there is no click and no tempo map by it."
        )
    if start.bar_1_samples == 0:
        return "Bar 1, beat 1 is the first sample of every file."
    where = "after" if start.bar_1_samples > 0 else "before"
    samples = abs(start.bar_1_samples)
    return (
        f"Bar 1, beat 1 lies {samples:,} samples ({clock_from_samples(samples, start.rate_hz)}) "
        f"{where} the first sample of every file."
    )


def _bar(bar: str | None, *, is_on_line: bool) -> str:
    """``2 bars before bar 1 (bar -1)``; before bar 1 programs count in ways of their own."""
    if bar is None:
        return ""
    number, _, beat = bar.partition(".")
    before = 1 - int(number)
    if not is_on_line:
        return f"in bar {number}, after beat {beat}"
    if before > 0:
        return f"{figures.plural(before, 'bar')} before bar 1 (bar {number})"
    return f"bar {number}, beat {beat}"


def _timecode(timecode: str | None, samples: int) -> str:
    if timecode is None:
        return ""
    return f"{timecode} and {figures.plural(samples, 'sample')}" if samples else timecode


def _since_midnight(samples: int | None, rate_hz: int) -> str:
    if samples is None:
        return ""
    return f"{samples:,} ({time_of_day_from_samples(samples, rate_hz)})"


def _samples(samples: int, rate_hz: int) -> str:
    return f"{samples:,} ({clock_from_samples(samples, rate_hz)})"
