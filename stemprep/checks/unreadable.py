"""The file gives no sound at all.

Whoever receives it has nothing to work with: the file is empty, is not audio, has a header that
cannot be true, or breaks the decoder.

Measured: the header is read by our own reader, then the sound is decoded from first to last
sample; what stops either is the finding. Nothing else is said about such a file. A zip without
its directory, or an entry that does not unpack to its checksum, is as unreadable.
Limit: none; common practice, no source. A fault may be reported lower than the spec's ceiling
where the reader says that it is milder.
Passes: a 24-bit WAV of 3:20 that decodes to its last sample.
Fails: a file named .wav that holds 11 bytes, or one whose header states 0 channels.
To do: copy or export the file again; keep the damaged one, it may be all there is of a take.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.header_faults import merged_faults
from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.tell import about_file, severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "unreadable"
NATURE = Nature(
    scope="file",
    heading="Cannot be read",
    files_are="unreadable",
    concern="loss",
    explains=(
        Explanation(
            effects=frozenset(
                {
                    "truncated",
                    "header",
                    "checksum",
                    "lossy-source",
                    "container",
                    "sample-rate",
                    "bit-depth",
                    "channel-count",
                }
            )
        ),
    ),
    is_waivable=False,
)
_SAY_WHY = frozenset({ID, "truncated", "lossy-source", "checksum"})


def check(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """Yield the faults that kept the file from being read, or say that none explains it."""
    yield from merged_faults(file, ID, lambda fault: rule.severity)
    severity = severity_under(rule.severity)
    faults = file.facts.header.faults
    has_reason = any(fault.check in _SAY_WHY for fault in faults)
    if severity is None or file.facts.sound is not None or has_reason:
        return
    why = next((fault for fault in faults if fault.severity == "fail"), None)
    yield about_file(
        file,
        ID,
        severity,
        message=why.message if why else "no sound could be read from this file",
        advice="Copy or export the file again and drop it once more.",
        found=why.found if why else None,
        required=why.required if why else None,
    )
