"""Files of one song whose time references put them at different starts.

Imported at their stamps they land where they were recorded; dragged to bar 1 they are out of time
with each other. The receiver has to know which of the two is right.

Measured: the time reference (bext, else iXML) of each file against the one most files of the song
have, in exact arithmetic across sample rates. Files whose length equals the song's are left to the
check time-reference: there, the stamp itself is in doubt. Click, talkback, guides and rough mixes
get a note at most. Where no file has a stamp, a signal that several files hold sample for sample (a
count-in, a click, a part printed into all) shows by cross-correlation where each begins. Of
microphones of one source the lag at the begin, in the middle and at the end tells whether they
run apart: recorded to two clocks, in parts per million.
Limit: the same sample; across rates, less than one sample of the lower rate (common practice, no
source).
Passes: a 44.1 kHz file stamped 158,760,000 and a 48 kHz file stamped 172,800,000: both 1:00:00.000.
Fails: an overdub that starts 3.2 s after all others and is shorter than they are.
To do: export all files from the same start; where the spec allows it, deliver places them by their
time references.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from fractions import Fraction

from stemprep.checks.content_starts import by_content
from stemprep.checks.drifting import by_drift
from stemprep.checks.heard import Heard, ceiling_in_set, is_same_time
from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.song import Song
from stemprep.checks.tell import about_files, severity_under, span
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.words import Severity
from stemprep.units import time_of_day_from_samples

ID = "start-alignment"
NATURE = Nature(
    scope="song",
    heading="Does not begin with the rest",
    files_are="starting elsewhere",
    concern="together",
    explains=(Explanation(effects=frozenset({"length"})),),
)


def check(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for all files that share the same odd start."""
    yield from by_content(song, rules)
    yield from by_drift(song, rules)
    reference = song.common_start
    if reference is None or reference.start_s is None:
        return
    odd: dict[tuple[Fraction, Severity], list[Heard]] = defaultdict(list)
    for item in song.stamped:
        ceiling = ceiling_in_set(rules.for_role(item.file.role).severity, item.file.role)
        severity = severity_under(ceiling)
        start = item.start_s
        if severity is None or start is None or song.has_common_length(item):
            continue
        rates = item.format.sample_rate_hz, reference.format.sample_rate_hz
        if not is_same_time(start, reference.start_s, *rates):
            odd[start - reference.start_s, severity].append(item)
    for (shift_s, severity), items in odd.items():
        yield _finding(items, reference, shift_s, severity)


def _finding(
    items: list[Heard], reference: Heard, shift_s: Fraction, severity: Severity
) -> Finding:
    first = items[0]
    start = time_of_day_from_samples(first.start_samples or 0, first.format.sample_rate_hz)
    common = time_of_day_from_samples(reference.start_samples or 0, reference.format.sample_rate_hz)
    way = "later" if shift_s > 0 else "earlier"
    shift = abs(shift_s) * first.format.sample_rate_hz
    return about_files(
        [item.file for item in items],
        ID,
        severity,
        message=f"starts at {start}, {span(round(shift), first.format.sample_rate_hz)} {way} "
        f"than most of the song ({common})",
        advice="Export all files of the song from the same start, or place this one at its stamp.",
        against=[reference.file],
        found=first.start_samples,
        required=round(Fraction(reference.start_s or 0) * first.format.sample_rate_hz),
        unit="samples",
        repair="place",
    )
