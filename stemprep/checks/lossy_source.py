"""The sound went through a lossy codec, whatever the file is called.

An MP3 named .wav plays, lines up roughly, and carries artefacts and a delay that no later step
removes. It has no place among stems or mixes that are worked on.

Measured: the content of the file, not its name; a format tag of a lossy codec inside a WAV shell
counts too.
Limit: none; common practice, no source. A listening reference may be lossy where the spec says so.
Passes: 24-bit PCM in a file named .aif that is really a WAV: lossless all the same.
Fails: vocal.wav whose content is MPEG layer III.
To do: export the file again from the session as WAV or FLAC; renaming or converting it back does
not bring anything back.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.header_faults import merged_faults
from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.tell import about_file, severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "lossy-source"
NATURE = Nature(
    scope="file",
    heading="Went through a lossy codec",
    files_are="from a lossy codec",
    concern="flaw",
    explains=(Explanation(effects=frozenset({"container", "bit-depth", "mixed-formats"})),),
)


def check(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """Yield the reader's faults, or the encoding where the reader left it at that."""
    findings = list(merged_faults(file, ID, lambda fault: rule.severity))
    yield from findings
    form, severity = file.facts.format, severity_under(rule.severity)
    if findings or severity is None or form is None or form.encoding != "lossy":
        return
    yield about_file(
        file,
        ID,
        severity,
        message=f"the sound is coded with loss ({form.container}), lossless is required",
        advice="Export the file again from the session as WAV or FLAC.",
        found=form.container,
        required="lossless",
    )
