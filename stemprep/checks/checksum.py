"""A sum kept inside the file disagrees with its sound, or could be there and is not.

The one proof that a file made itself says that its samples are no longer what was written:
a bad disk, a bad cable, a broken transfer. The hole may be a few samples somewhere in the middle.

Measured: the MD5 of the decoded samples and the frame sums of a FLAC file (RFC 9639) against the
ones stored in it.
Limit: sums are equal (RFC 9639). A sum that is absent is legal and has a severity of its own in
the spec (a note by default).
Passes: a FLAC file whose stored MD5 is that of its decoded samples.
Fails: a FLAC file with one changed byte in the middle.
To do: ask for the file again from the place that has the original.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.header_faults import merged_faults
from stemprep.checks.nature import Explanation, Nature
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.header import HeaderFault
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Ceiling

ID = "checksum"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumRule(Rule):
    """severity: a sum that disagrees."""

    absent_severity: Annotated[
        Ceiling, Key("weight of a sum that the file could hold and does not", "note")
    ]


NATURE = Nature(
    scope="file",
    heading="Damaged: its own checksum disagrees",
    files_are="damaged",
    concern="loss",
    rule=ChecksumRule,
    explains=(Explanation(effects=frozenset({"dropout"})),),
)


def check(file: MeasuredFile, rule: ChecksumRule) -> Iterator[Finding]:
    """Yield one finding for sums that disagree or are not there."""

    def ceiling(fault: HeaderFault) -> Ceiling:
        return rule.absent_severity if fault.code.endswith("absent") else rule.severity

    yield from merged_faults(file, ID, ceiling)
