"""The file ends before the sound that its header promises.

A shortened stem lines up at the start and is missing its end: nobody notices until the last
chorus is gone. Usually an upload stopped or a disk was full.

Measured: frames that the header states against whole frames that are in the file, or a decoder
that meets the end of the file in the middle of its data.
Limit: not one frame; common practice, no source. A fault may be reported lower than the spec's
ceiling where the reader says that it is milder.
Passes: a header that states 48,000 frames and a file that holds 48,000.
Fails: a header that states 48,000 frames and a file that ends after 30,000.
To do: ask for the file again. The short one is kept as it is and never delivered as complete.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.header_faults import merged_faults
from stemprep.checks.nature import Explanation, Nature
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "truncated"
NATURE = Nature(
    scope="file",
    heading="Cut off: sound is missing",
    files_are="incomplete",
    concern="loss",
    explains=(Explanation(effects=frozenset({"header", "checksum", "length", "cut-off"})),),
    is_waivable=False,
)


def check(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """Yield one finding for all that is missing from the file."""
    yield from merged_faults(file, ID, lambda fault: rule.severity)
