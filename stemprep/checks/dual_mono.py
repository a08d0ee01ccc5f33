"""A stereo file whose two sides are one signal.

It takes twice the room, suggests a width that is not there, and is 3 LU louder than the same
sound as mono.

Measured: the peak of left minus right over the whole file.
Limit: -90 dBFS, so that two sides that differ only by dither are one too (common practice, no
source). A silent file and a file with a dead side are not judged here.
Passes: a stereo piano; a mono guitar with a stereo reverb at -60 dBFS.
Fails: a bass printed to two identical sides.
To do: where it is ordered, deliver takes one side (never an average, never on stems that must add
up); or export the track as mono.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, heard, severity_under
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import LevelDb
from stemprep.units import SILENCE_DB

ID = "dual-mono"


@dataclass(frozen=True, slots=True, kw_only=True)
class DualMonoRule(Rule):
    """How alike two sides are that are one."""

    max_difference_dbfs: Annotated[LevelDb, Key("peak of left minus right, dBFS", -90.0)]


NATURE = Nature(
    scope="file",
    heading="Two equal sides",
    files_are="mono in a stereo file",
    concern="form",
    rule=DualMonoRule,
)


_ADVICE = "Export the track as mono, or order the fold in the sheet (fold_mono)."
_STEM_ADVICE = (
    "Nothing, if it is one signal: a stem is left as it is, so that the sum holds; "
    "else look for a lost side."
)


def check(file: MeasuredFile, rule: DualMonoRule) -> Iterator[Finding]:
    """Yield a finding when both sides sound and do not differ."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None or known[1].stereo is None:
        return
    sound, stereo = known[1], known[1].stereo
    if not stereo.is_identical and stereo.difference_peak_dbfs > rule.max_difference_dbfs:
        return
    if sound.silence.is_silent(sound.frames) or SILENCE_DB in sound.level.channel_peaks_dbfs:
        return
    found = (
        "left and right carry the same samples"
        if stereo.is_identical
        else f"left and right differ by {stereo.difference_peak_dbfs:.1f} dBFS at most"
    )
    yield about_file(
        file,
        ID,
        severity,
        message=f"{found}: one signal on two sides",
        advice=_STEM_ADVICE if file.role == "stem" else _ADVICE,
        found=None if stereo.is_identical else round(stereo.difference_peak_dbfs, 2),
        required=rule.max_difference_dbfs,
        unit="dBFS",
        repair="fold-mono",
    )
