"""An original that came back without silence that the package had added.

A package lines its files up: silence is put in front for the common start and at the end for the
common length. Workstations trim such silence when they export. No sound is lost, but a file
without its silence in front plays early where everybody begins together.

Measured: what is missing, against the silence that the package's manifest says was added; whether
those samples are zero in the package; and all others, one by one.
Limit: none (common practice, no source); always a note. One sample of the recording missing, its
own silence too, or something else in the place of what was added, is original-changed.
Passes: a bass that came back at the length of the package.
Fails: a bass of 8 s that was filled to 12 s and came back with 10 s.
To do: nothing where only the end is missing; else use the file in the package.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.tell import severity_under, span
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import OriginalFate, Region, Returned
from stemprep.model.rule import RuleTable

ID = "original-unpadded"
NATURE = Nature(
    scope="return",
    heading="Original came back without our silence",
    files_are="without its added silence",
    concern="together",
)


def check(returned: Returned, rules: RuleTable) -> Iterator[Finding]:
    """Yield one note for each original that lacks nothing but added silence."""
    for fate in returned.originals:
        severity = severity_under(rules.for_role(fate.role).severity, "note")
        if not fate.is_unpadded or fate.returned_as is None or severity is None:
            continue
        early = next((region.end_sample for region in fate.regions if not region.start_sample), 0)
        yield Finding(
            check=ID,
            severity=severity,
            message=_message(fate, early),
            advice=_advice(fate, early),
            file=fate.returned_as,
            files=(fate.returned_as,),
            against=(fate.file,),
            song=fate.song,
            found=sum(map(_length, fate.regions)),
            required=0,
            unit="samples",
        )


def _length(region: Region) -> int:
    return region.end_sample - region.start_sample


def _message(fate: OriginalFate, early: int) -> str:
    missing = " and ".join(
        f"{_span(_length(region), fate)} {'at the end' if region.start_sample else 'in front'}"
        for region in fate.regions
    )
    where = f"; put at the common start it plays {_span(early, fate)} early" if early else ""
    return (
        f"holds all of {fate.source.rpartition('/')[2]}, the same sample for sample; only silence "
        f"that the package had added to line the files up is missing: {missing}{where}"
    )


def _advice(fate: OriginalFate, early: int) -> str:
    if not early:
        return "Nothing: it begins where it did, and the package has it at full length."
    return (
        "Use the file in the package, which begins with the others; or put this one "
        f"{_span(early, fate)} after the common start."
    )


def _span(samples: int, fate: OriginalFate) -> str:
    rate_hz = fate.format.sample_rate_hz if fate.format is not None else 0
    return span(samples, rate_hz) if rate_hz else f"{samples:,} samples"
