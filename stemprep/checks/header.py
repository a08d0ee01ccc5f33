"""The sound is there, but the header around it is wrong.

Some systems refuse such a file, some read it as empty or too short, some ignore the fault. Where
the samples are not in doubt a copy with a rebuilt header holds the same sound. Where the file can
be read in two ways (two sounds, two formats) nobody but its maker knows which is meant.

Measured: sizes, pad bytes, chunk order, block alignment, valid bits, channel mask and metadata
against the published layout of the container and against what lies in the file; chunks that come
twice; FLAC frames against STREAMINFO. Then libsndfile opens the file by itself: rate, channels,
length, beginning and end must be the same, and all of the sound of what is delivered.
Limit: the published layout (Microsoft RIFF, EBU Tech 3285, EBU Tech 3306, ITU-R BS.2088). A
fault that harms nobody is reported lower than the spec's ceiling.
Passes: JUNK, bext and LIST chunks before the format chunk: unusual and legal.
Fails: a recorder lost power and left both size fields at 0, 24,000 frames follow: other programs
see an empty file.
To do: let deliver write a copy with a correct header, or open and save the file again; keep the
original. Where two readings are told, open it where it was made and export it again.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.header_faults import merged_faults
from stemprep.checks.nature import Nature
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "header"
NATURE = Nature(
    scope="file",
    heading="Wrong header",
    files_are="with a faulty header",
    concern="form",
)


def check(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """Yield one finding for all faults of the header."""
    yield from merged_faults(file, ID, lambda fault: rule.severity)
