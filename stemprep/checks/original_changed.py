"""An original that came back as something else.

Who sends a take to another room expects it back as it was. If it was edited there, the next mix
holds two versions of one take, and nobody knows which of them was meant.

Measured: the returned file against the file as delivered, sample by sample: where they differ, the
stretch is told as gain, move, edit, processing, trim, pad or conversion; a gain is measured over
the stretch and called one only where nothing else is left. Another header or another lossless
container around the same sound is no change, unless its header states another rate.
Limit: none; any sample that differs counts (common practice, no source). Work that a session sheet
orders on the track (edit, tune, replace) is expected: it is measured all the same and is a note.
Passes: a file with another header, or packed as FLAC, whose samples are all the same.
Fails: a bass that is 3 dB lower between 0:08 and 0:10.
To do: ask whether it was meant; the original stays in the package, and both stay in the next
delivery until a person chooses.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.tell import listed, rate_name, severity_under
from stemprep.model.finding import MAX_WORST, Finding, Occurrence, Occurrences
from stemprep.model.reconciliation import OriginalFate, Region, Returned
from stemprep.model.rule import RuleTable
from stemprep.units import clock_from_samples

ID = "original-changed"
NATURE = Nature(
    scope="return",
    heading="Original came back changed",
    files_are="changed",
    concern="together",
)
# In one sentence; the JSON lists all.
_MOST_TOLD = 3


def check(returned: Returned, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for each original whose sound is another."""
    for fate in returned.originals:
        is_changed = fate.status == "changed" or fate.label_rate_hz is not None
        if not is_changed or fate.returned_as is None:
            continue
        severity = severity_under(
            rules.for_role(fate.role).severity, "note" if fate.ordered else "fail"
        )
        if severity is None:
            continue
        faults = tuple(region for region in fate.regions if not region.is_added_silence)
        single = faults[0] if len(faults) == 1 else None
        yield Finding(
            check=ID,
            severity=severity,
            message=_message(fate),
            advice=_advice(fate),
            file=fate.returned_as,
            files=(fate.returned_as,),
            against=(fate.file,),
            song=fate.song,
            start_sample=single.start_sample if single else None,
            end_sample=single.end_sample if single else None,
            occurrences=_occurrences(faults),
            found=round(single.gain_db, 2) if single and single.gain_db is not None else None,
            unit="dB" if single and single.gain_db is not None else "",
        )


def _advice(fate: OriginalFate) -> str:
    if fate.ordered:
        return "This was ordered: listen to it, and choose it in place of the original."
    return (
        "Ask the other room whether this was meant. The original lies whole in the package; the "
        "next delivery holds both, and a person chooses."
    )


def _message(fate: OriginalFate) -> str:
    name = fate.source.rpartition("/")[2]
    if fate.label_rate_hz is not None and fate.format is not None:
        return (
            f"holds the very samples of {name}, but its header says "
            f"{rate_name(fate.label_rate_hz)} "
            f"where they run at {rate_name(fate.format.sample_rate_hz)}: it plays at a wrong speed"
        )
    start = f"as ordered ({', '.join(fate.ordered)}): " if fate.ordered else ""
    if fate.is_another:
        return f"{start}under the name of {name} came another recording; none of its sound is in it"
    if not fate.regions:
        return f"{start}its sound is not that of the original {name}; where could not be told"
    told = [region_words(region, fate) for region in fate.regions]
    return f"{start}differs from the original {name}: {listed(told, _MOST_TOLD)}"


def region_words(region: Region, fate: OriginalFate) -> str:
    """``3.00 dB lower from 0:08.000 to 0:10.000 (samples 384,000 to 480,000)``."""
    rate_hz = fate.format.sample_rate_hz if fate.format is not None else 0
    return f"{change_words(region, rate_hz)} {span_words(region, fate)}"


def change_words(region: Region, rate_hz: int) -> str:
    """What was done in a stretch, in few words."""
    if region.words:
        return region.words
    if region.kind == "gain" and region.gain_db is not None:
        return f"{abs(region.gain_db):.2f} dB {'lower' if region.gain_db < 0 else 'higher'}"
    if region.kind == "moved" and region.moved_samples is not None:
        way = "later" if region.moved_samples > 0 else "earlier"
        samples = abs(region.moved_samples)
        time = f" ({1000 * samples / rate_hz:.1f} ms)" if rate_hz else ""
        return f"moved {samples:,} samples{time} {way}"
    return {
        "trimmed": "cut off",
        "padded": "added",
        "rate-converted": "converted",
        "processed": "processed (no one gain or move explains it)",
    }.get(region.kind, region.kind)


def span_words(region: Region, fate: OriginalFate) -> str:
    """Where a stretch lies; the whole file is said to be that."""
    is_whole = region.start_sample == 0 and region.end_sample >= fate.frames
    if is_whole and region.kind not in ("trimmed", "padded"):
        return "throughout"
    rate_hz = fate.format.sample_rate_hz if fate.format is not None else 0
    samples = f"samples {region.start_sample:,} to {region.end_sample:,}"
    if not rate_hz:
        return samples
    start, end = (
        clock_from_samples(place, rate_hz) for place in (region.start_sample, region.end_sample)
    )
    return f"from {start} to {end} ({samples} at {rate_name(rate_hz)})"


def _occurrences(regions: tuple[Region, ...]) -> Occurrences | None:
    if len(regions) < 2:
        return None
    longest = sorted(regions, key=lambda each: each.start_sample - each.end_sample)[:MAX_WORST]
    return Occurrences(
        count=len(regions),
        worst=tuple(
            Occurrence(channel=None, start_sample=each.start_sample, end_sample=each.end_sample)
            for each in longest
        ),
    )
