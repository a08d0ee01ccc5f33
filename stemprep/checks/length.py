"""Files of one song that are not of the same length.

Files of one length line up by themselves wherever they are put. A shorter one may be cut off, a
longer one may start earlier or carry latency at its end; the receiver has to find out which.

Measured: frames of each file against the length that most files of the song have; across sample
rates the exact duration, where less than one sample is no difference. Without a common length the
longest file is the measure. Click, talkback, guides and rough mixes get a note at most; a file
that starts elsewhere by its time reference is told by start-alignment.
Limit: 0 samples (common practice, no source); the spec can allow more.
Passes: eight stems of 9,600,000 frames; a 96 kHz stem of exactly twice as many.
Fails: seven stems of 9,600,000 frames and one of 9,599,488.
To do: export all files over the same range. Where the spec asks for equal lengths, deliver adds
silence at the end, never at the start.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.heard import Heard, ceiling_in_set
from stemprep.checks.nature import Nature
from stemprep.checks.song import Song
from stemprep.checks.starts import length_gap
from stemprep.checks.tell import about_files, severity_under, span
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule, RuleTable
from stemprep.model.value_types import SampleCount
from stemprep.model.words import Severity
from stemprep.units import clock_from_samples

ID = "length"


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthRule(Rule):
    """How much lengths may differ."""

    tolerance_samples: Annotated[SampleCount, Key("how much lengths of one song may differ", 0)]


NATURE = Nature(
    scope="song",
    heading="Another length than the rest",
    files_are="of another length",
    concern="together",
    rule=LengthRule,
)


def check(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for all files that are off by the same amount."""
    reference = song.common_length
    if reference is None:
        return
    odd: dict[tuple[int, int, Severity], list[Heard]] = defaultdict(list)
    for item in song.compared:
        role = item.file.role
        rule = rules.for_role(role)
        assert isinstance(rule, LengthRule)
        severity = severity_under(ceiling_in_set(rule.severity, role))
        gap = length_gap(item, reference)
        if severity is not None and abs(gap) > rule.tolerance_samples:
            odd[gap, item.format.sample_rate_hz, severity].append(item)
    for (gap, rate_hz, severity), items in odd.items():
        yield _finding(items, reference, gap, rate_hz, severity)


def _finding(
    items: list[Heard], reference: Heard, gap: int, rate_hz: int, severity: Severity
) -> Finding:
    common = clock_from_samples(reference.sound.frames, reference.format.sample_rate_hz)
    way = "longer" if gap > 0 else "shorter"
    return about_files(
        [item.file for item in items],
        ID,
        severity,
        message=f"{span(abs(gap), rate_hz)} {way} than the length of the song ({common})",
        advice="Look whether the end is missing, and export all files over the same range."
        if gap < 0
        else "Look whether it starts elsewhere, and export all files over the same range.",
        against=[reference.file],
        found=items[0].sound.frames,
        required=items[0].sound.frames - gap,
        unit="samples",
        repair="pad" if gap < 0 else None,
    )
