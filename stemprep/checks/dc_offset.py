"""The waveform does not swing around zero: a constant offset in a channel.

It costs head-room, clicks at every cut, and shifts the working point of compressors and
distortion. It comes from converters and some plug-ins.

Measured: the mean of each channel, weighted so that low notes with an unfinished last cycle do not
count, and brought to where windows of an eighth of a second agree, quiet ones first: an offset is
there in every one of them, also in the tail; the lopsided attack of a drum is not.
Limit: -51 dBFS in files of half a second and longer (common practice is -50, no source; readings
under music differ by 1 dB).
Passes: a 20 Hz tone of 0.525 s, whose plain mean reads -36 dBFS; a drum whose mean reads -46 dBFS
and whose tail dies away around zero.
Fails: a guitar track with 2 % (-34 dBFS) of offset.
To do: where it is ordered, deliver subtracts the constant (no filter, no change of sound), but
never from a stem that has to add up to a mix; better, remove it at its source and export again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, channel_name, heard, severity_under
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import LevelDb, Seconds
from stemprep.units import db_from_ratio, seconds_from_samples

ID = "dc-offset"


@dataclass(frozen=True, slots=True, kw_only=True)
class DcOffsetRule(Rule):
    """Largest constant offset."""

    max_dbfs: Annotated[LevelDb, Key("largest constant offset of a channel, dBFS", -50.0)]
    min_duration_s: Annotated[Seconds, Key("shorter files are not judged, s", 0.5)]


NATURE = Nature(
    scope="file",
    heading="Constant offset",
    files_are="with DC",
    concern="form",
    rule=DcOffsetRule,
)


def check(file: MeasuredFile, rule: DcOffsetRule) -> Iterator[Finding]:
    """Yield one finding that names every channel whose offset is above the limit."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None:
        return
    form, sound = known
    if seconds_from_samples(sound.frames, form.sample_rate_hz) < rule.min_duration_s:
        return
    levels = [db_from_ratio(abs(offset)) for offset in sound.level.dc_offset]
    over = [number for number, level in enumerate(levels, 1) if level > rule.max_dbfs]
    if not over:
        return
    worst = max(over, key=lambda number: levels[number - 1])
    where = ", ".join(
        f"{levels[number - 1]:.1f} dBFS in {channel_name(number, form.channels)}"
        if form.channels > 1
        else f"{levels[number - 1]:.1f} dBFS"
        for number in over
    )
    yield about_file(
        file,
        ID,
        severity,
        message=f"DC offset of {where}, at most {rule.max_dbfs:.1f} dBFS allowed",
        advice="Remove it at its source and export again, or order its removal in the sheet.",
        channel=worst,
        found=round(levels[worst - 1], 2),
        required=rule.max_dbfs,
        unit="dBFS",
        repair="remove-dc",
    )
