"""The file starts or ends in the middle of its sound.

A consonant without its beginning, a cymbal without its end: the export range was too short, and
what is missing is still in the session.

Measured: the first and last 5 ms: their level against that of the whole file, and whether the
sound comes from zero and goes there, or jumps.
Limit: 6 dB below the level (RMS) of the whole file, with a jump; files under 1 s are not judged
(common practice, no source).
Severity: as the spec says: mixes and stems warn, single tracks are often cut anyway; a file that
the sheet calls `intended: cut` (or loop) gets a note.
Passes: a fade that ends at zero; a drum that starts at its attack; a loop cut at zero crossings.
Fails: a mix that stops at -20 dBFS while the last chord still sounds.
To do: export again with the whole beginning and ending; never fade it to hide the cut.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.intended import own_severity
from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, heard, severity_under
from stemprep.model.definition import Key, Range
from stemprep.model.facts import EdgeFacts, Sound
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import Seconds
from stemprep.units import seconds_from_samples

ID = "cut-off"


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOffRule(Rule):
    """From which level on an abrupt edge counts."""

    max_below_rms_db: Annotated[
        float,
        Range(0, 60),
        Key("an abrupt edge counts from this much below the file's level, dB", 6.0),
    ]
    min_duration_s: Annotated[Seconds, Key("shorter files are not judged, s", 1.0)]


NATURE = Nature(
    scope="file",
    heading="Begins or ends in the middle of sound",
    files_are="cut off while sounding",
    concern="flaw",
    rule=CutOffRule,
    side_effect_of=("trim",),
)


_INTENDED = frozenset({"cut", "cut-off", "loop"})

_PLAIN = {"starts": "starts in mid-sound", "ends": "stops while still sounding"}


def check(file: MeasuredFile, rule: CutOffRule) -> Iterator[Finding]:
    """Yield a finding when the head, the tail or both are cut."""
    known = heard(file)
    severity = severity_under(rule.severity, own_severity(file, _INTENDED))
    if known is None or severity is None:
        return
    form, sound = known
    if seconds_from_samples(sound.frames, form.sample_rate_hz) < rule.min_duration_s:
        return
    found = sound.transients
    edges = [
        (word, edge, at)
        for word, edge, at in (("starts", found.head, 0), ("ends", found.tail, sound.frames))
        if _is_cut(edge, sound, rule)
    ]
    if not edges:
        return
    loudest = max(edge.level_dbfs for _, edge, _ in edges)
    words = " and ".join(f"{word} at {edge.level_dbfs:.1f} dBFS" for word, edge, _ in edges)
    told = " and ".join(_PLAIN[word] for word, _, _ in edges)
    yield about_file(
        file,
        ID,
        severity,
        message=f"{told} ({words}, the whole file has {sound.level.rms_dbfs:.1f} dBFS; "
        f"a cut counts from {rule.max_below_rms_db:g} dB below that)",
        advice="Was the export range too short? Export again with the whole beginning and ending.",
        channel=edges[0][1].channel if len(edges) == 1 else None,
        start_sample=edges[0][2],
        end_sample=edges[-1][2],
        found=round(loudest, 1),
        required=round(sound.level.rms_dbfs - rule.max_below_rms_db, 1),
        unit="dBFS",
    )


def _is_cut(edge: EdgeFacts, sound: Sound, rule: CutOffRule) -> bool:
    return edge.is_abrupt and edge.level_dbfs >= sound.level.rms_dbfs - rule.max_below_rms_db
