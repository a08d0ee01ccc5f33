"""Pictures of the set: what a null test leaves, where microphones stand, how loud mixes are."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stemprep.model.facts import SetFacts
from stemprep.model.null_test import NullTest
from stemprep.model.session import MeasuredFile
from stemprep.report import figures
from stemprep.report.null_tests import null_line
from stemprep.report.waveform import Tick, level_over_time_dbfs, percent, time_ticks

NULL_COLUMNS, NULL_BOX = 300, 100
MARGIN_DB, LOWEST_DBFS = 6.0, -150.0
MAX_SCALE_LINES = 4
_SCALE_STEPS_DB = (6, 12, 20, 40)
QUIETEST_LUFS = -40.0
_STEPS_M = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """One line of a level scale: how far from the top, and its label."""

    y: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NullPicture:
    """What is left of a mix over time, against the mix's own level.

    residual, mix: paths in boxes of their own columns by ``NULL_BOX``; limit: what word lengths
    may leave.
    stems: each with the peak that its absence would leave.
    """

    title: str
    words: str
    verdict: str
    residual: str
    residual_columns: int
    mix: str
    mix_columns: int
    limit: str
    scale: tuple[Scale, ...]
    ticks: tuple[Tick, ...]
    stems: tuple[tuple[str, str], ...]


def null_picture(test: NullTest, files: Mapping[str, MeasuredFile]) -> NullPicture:
    """Lay out one null test; the scale ends below what is left and what may be left."""
    residual = test.residual_over_time_dbfs
    mix = files.get(test.reference)
    sound = None if mix is None else mix.facts.sound
    loud = [] if sound is None else level_over_time_dbfs(sound, NULL_COLUMNS)
    heard = [level for level in (*residual, test.limit_peak_dbfs) if math.isfinite(level)]
    floor = max(min(heard, default=-60.0) - MARGIN_DB, LOWEST_DBFS)
    return NullPicture(
        title=test.song or test.reference,
        words=null_line(test),
        verdict=test.verdict,
        residual=_steps(residual, floor, is_closed=False),
        residual_columns=max(len(residual), 1),
        mix=_steps(loud, floor, is_closed=True),
        mix_columns=max(len(loud), 1),
        limit=percent(_depth(test.limit_peak_dbfs, floor)),
        scale=_scale(floor),
        ticks=time_ticks(test.frames, test.sample_rate_hz, most=8),
        stems=tuple((path, _peak(files.get(path))) for path in test.stems),
    )


def _peak(file: MeasuredFile | None) -> str:
    sound = None if file is None else file.facts.sound
    return figures.level(None if sound is None else sound.level.sample_peak_dbfs, "dBFS")


def _depth(level_dbfs: float, floor_dbfs: float) -> float:
    """0 at full scale, 1 at the floor and below it."""
    return min(max(level_dbfs / floor_dbfs, 0.0), 1.0) if math.isfinite(level_dbfs) else 1.0


def _steps(found: Sequence[float], floor_dbfs: float, *, is_closed: bool) -> str:
    if not found:
        return ""
    points = [f"{place} {NULL_BOX * _depth(v, floor_dbfs):.0f}h1" for place, v in enumerate(found)]
    path = f"M{'L'.join(points)}"
    return f"{path}V{NULL_BOX}H0Z" if is_closed else path


def _scale(floor_dbfs: float) -> tuple[Scale, ...]:
    step = next((s for s in _SCALE_STEPS_DB if -floor_dbfs / s <= MAX_SCALE_LINES), 50)
    count = int(-floor_dbfs / step)
    return tuple(
        Scale(y=percent(level / floor_dbfs), label=f"{level} dBFS")
        for level in (-step * number for number in range(count + 1))
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MicMark:
    """One microphone beside its reference; is_inverted is drawn as a shape."""

    x: str
    is_inverted: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MicPicture:
    """How far each microphone is behind the others, one row a microphone."""

    rows: tuple[tuple[str, tuple[MicMark, ...]], ...]
    ticks: tuple[Tick, ...]


def mic_picture(facts: SetFacts) -> MicPicture | None:
    """Distances along one axis from 0; None where no pair was measured."""
    if not facts.mic_pairs:
        return None
    farthest = max(abs(pair.distance_m) for pair in facts.mic_pairs)
    step = next((each for each in _STEPS_M if farthest <= 6 * each), _STEPS_M[-1])
    reach = step * max(1, math.ceil(farthest / step * 1.02))
    rows: dict[str, list[MicMark]] = {}
    for pair in sorted(facts.mic_pairs, key=lambda each: (each.file, each.reference)):
        polarity = "inverted" if pair.polarity == "inverted" else "same polarity"
        rows.setdefault(pair.file, []).append(
            MicMark(
                x=percent(min(abs(pair.distance_m) / reach, 1.0)),
                is_inverted=pair.polarity == "inverted",
                words=f"{pair.reference}: {pair.distance_m:+.2f} m, {pair.lag_ms:+.2f} ms, "
                f"{polarity}",
            )
        )
    marks = [number * step for number in range(round(reach / step) + 1)]
    return MicPicture(
        rows=tuple((file, tuple(found)) for file, found in rows.items()),
        ticks=tuple(Tick(x=each / reach * 900.0, label=f"{each:g} m") for each in marks[:-1]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessBar:
    """One mix: its loudness as a bar, and in words."""

    path: str
    width: str
    words: str


def loudness_bars(files: Sequence[MeasuredFile]) -> tuple[LoudnessBar, ...]:
    """Mixes side by side; none where there are not two to compare."""
    found = [
        (file, sound.loudness.loudness_lufs)
        for file in files
        if file.role in ("mix", "alternate-mix") and (sound := file.facts.sound) is not None
    ]
    levels = [(file, level) for file, level in found if level is not None]
    if len(levels) < 2:
        return ()
    return tuple(
        LoudnessBar(
            path=file.path,
            width=percent(min(max(1 - level / QUIETEST_LUFS, 0.01), 1.0)),
            words=figures.level(level, "LUFS"),
        )
        for file, level in levels
    )
