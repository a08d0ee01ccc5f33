"""Mains hum in the pauses: 50 or 60 Hz with its multiples.

A ground loop, a pickup near a transformer, a lamp on a dimmer. It sits under every note, and a
filter that takes it out takes some of the bass with it; at the source it is one cable.

Measured: in the quietest half seconds of a file that has pauses, partials at 50 or 60 Hz and their
multiples up to the fifth that stand 10 dB over what is beside them, keep one level from pause to
pause and within each, and keep the frequency of the mains to 0.4 Hz. A bass note dies away or
stops, and no note of an instrument in tune has that frequency. The level is that of all such
partials together.
Limit: -75 dBFS RMS (common practice, no source).
Passes: a bass guitar that plays G1 at 49 Hz; an amplifier that hisses and does not hum.
Fails: a guitar with 50, 100 and 150 Hz at -62 dBFS in every pause.
To do: find the loop at the source and record again; else ask the mixer for narrow filters.
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
from stemprep.model.value_types import LevelDb

ID = "hum"


@dataclass(frozen=True, slots=True, kw_only=True)
class HumRule(Rule):
    """Loudest mains hum, all its partials together."""

    max_dbfs: Annotated[LevelDb, Key("loudest mains hum in the pauses, dBFS RMS", -75.0)]


NATURE = Nature(
    scope="file",
    heading="Mains hum",
    files_are="with hum",
    concern="flaw",
    rule=HumRule,
)


def check(file: MeasuredFile, rule: HumRule) -> Iterator[Finding]:
    """Yield a finding when hum in the pauses is above the limit."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None or known[1].pauses.hum is None:
        return
    form, hum = known[0], known[1].pauses.hum
    if hum.level_dbfs <= rule.max_dbfs:
        return
    where = f" in {channel_name(hum.channel, form.channels)}" if form.channels > 1 else ""
    partials = ", ".join(str(hz) for hz in hum.partials_hz)
    yield about_file(
        file,
        ID,
        severity,
        message=f"mains hum of {hum.level_dbfs:.1f} dBFS RMS{where} (steady at {partials} Hz), "
        f"at most {rule.max_dbfs:.1f} dBFS expected",
        advice="Look for a ground loop or a transformer near a pickup; filter as a last resort.",
        channel=hum.channel,
        found=round(hum.level_dbfs, 2),
        required=rule.max_dbfs,
        unit="dBFS",
    )
