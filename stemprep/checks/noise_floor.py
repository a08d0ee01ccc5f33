"""Noise between the notes: hiss, spill, a room, an air-conditioner.

One track of it does no harm; twenty of them add up, and compression brings all of it forward.
Whether to live with it, gate it or record again is a question of taste, hence a note.

Measured: in windows of a tenth of a second, the level that the quietest twentieth stays at or
below, with any offset taken out and digital silence left out. It counts as noise only where it is
steady, where windows heap at that level, and where it lies 20 dB or more under the sound; music
without pauses has no noise floor. Of several channels the noisiest. Noise that is hum and nothing
else is told as hum.
Limit: -60 dBFS RMS (common practice, no source).
Passes: a gated vocal; a guitar amplifier that hisses at -72 dBFS; an organ that never pauses.
Fails: a voice with a fan at -48 dBFS between the phrases.
To do: listen to a pause; a quieter take, less gain or another microphone place help, a gate lowers
it only between the notes.
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

ID = "noise-floor"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseFloorRule(Rule):
    """Loudest noise."""

    max_dbfs: Annotated[LevelDb, Key("loudest noise between the notes, dBFS RMS", -60.0)]


NATURE = Nature(
    scope="file",
    heading="Noisy pauses",
    files_are="noisy",
    concern="flaw",
    rule=NoiseFloorRule,
)


# Within which hum alone is the whole floor: both are measured to a fraction of it.
_ALL_HUM_DB = 1.0


def check(file: MeasuredFile, rule: NoiseFloorRule) -> Iterator[Finding]:
    """Yield a finding when the steady level of the pauses is above the limit."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None:
        return
    form, sound = known
    floor_dbfs, hum = sound.pauses.noise_floor_dbfs, sound.pauses.hum
    if floor_dbfs is None or floor_dbfs <= rule.max_dbfs:
        return
    if hum is not None and hum.level_dbfs >= floor_dbfs - _ALL_HUM_DB:
        return
    channel = sound.pauses.channel
    where = f" in {channel_name(channel, form.channels)}" if form.channels > 1 else ""
    yield about_file(
        file,
        ID,
        severity,
        message=f"noise between the notes of {floor_dbfs:.1f} dBFS RMS{where}, "
        f"at most {rule.max_dbfs:.1f} dBFS expected",
        advice="Listen to a pause and decide: leave it, gate it in the mix, or record again.",
        channel=channel,
        found=floor_dbfs,
        required=rule.max_dbfs,
        unit="dBFS",
    )
