"""The sound is there, but the header around it is wrong.

Some systems refuse such a file, some read it as empty or too short, some ignore the fault. The
samples are intact, so a copy with a rebuilt header holds the same sound.

Measured: sizes, pad bytes, chunk order, block alignment, valid bits and metadata against the
published layout of the container and against what lies in the file.
Limit: the published layout (Microsoft RIFF, EBU Tech 3285, EBU Tech 3306, ITU-R BS.2088). A
fault that harms nobody is reported lower than the spec's ceiling.
Passes: JUNK, bext and LIST chunks before the format chunk: unusual and legal.
Fails: a recorder lost power and left both size fields at 0, 24,000 frames follow.
To do: let deliver write a copy with a correct header, or open and save the file again; keep the
original.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.header_faults import merged_faults
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "header"


def check(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """Yield one finding for all faults of the header."""
    yield from merged_faults(file, ID, lambda fault: rule.severity)
