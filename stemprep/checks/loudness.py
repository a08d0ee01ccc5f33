"""The integrated loudness lies outside what the receiver asks for.

Asked for in programme delivery; a mix on its way to mastering needs no loudness, so no shipped
spec sets one.

Measured: gated integrated loudness, ITU-R BS.1770-5; a mono file counts as one channel, so the
same sound on two channels reads 3 LU higher. Files under 0.4 s or below the gate have no loudness
and are not judged.
Limit: the spec's; none by default.
Passes: a file at -23.0 LUFS where -24 to -22 LUFS is asked.
Fails: a file at -14.2 LUFS where at most -16 LUFS is asked.
To do: set the level in the session and export again; stems go down with their mix.
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

ID = "loudness"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessRule(Rule):
    """Integrated loudness between the two."""

    min_lufs: Annotated[LevelDb | None, Key("lowest integrated loudness, LUFS", -24.0)]
    max_lufs: Annotated[LevelDb | None, Key("highest integrated loudness, LUFS", -14.0)]


NATURE = Nature(
    scope="file",
    heading="Loudness out of range",
    files_are="at another loudness",
    concern="form",
    rule=LoudnessRule,
)


def check(file: MeasuredFile, rule: LoudnessRule) -> Iterator[Finding]:
    """Yield a finding when the loudness is over the upper or under the lower limit."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None:
        return
    loudness = known[1].loudness.loudness_lufs
    if loudness is None:
        return
    if rule.max_lufs is not None and loudness > rule.max_lufs:
        limit, words = rule.max_lufs, "at most"
    elif rule.min_lufs is not None and loudness < rule.min_lufs:
        limit, words = rule.min_lufs, "at least"
    else:
        return
    yield about_file(
        file,
        ID,
        severity,
        message=f"the loudness is {loudness:.1f} LUFS, {words} {limit:.1f} LUFS required",
        advice="Set the level in the session, stems together with their mix, and export again.",
        found=round(loudness, 2),
        required=limit,
        unit="LUFS",
        repair="gain",
    )
