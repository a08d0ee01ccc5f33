"""The sound went through a lossy codec, whatever the file is called.

An MP3 named .wav plays, lines up roughly, and carries artefacts and a delay that no later step
removes. It has no place among stems or mixes that are worked on. Decoded back to a WAV it looks
like any other file, but the codec's quantisation is still in the sound.

Measured: the content of the file, not its name; a format tag of a lossy codec inside a WAV shell
counts too. In linear sound, the loudest stretches of the loudest channel there: each is taken apart
by the transforms of MP3, AAC, Vorbis and Opus at every position of a frame, and where a codec's
frames lay, many more coefficients are near zero than anywhere else. The coding history of a
Broadcast WAV counts as evidence.
Limit: for content none; common practice, no source. For decoded sound 1.6 times as many zeros as
chance, by 6 deviations (13 for Opus): measured on clean sound, which does not reach it. Found is a
warning at most. Sound that was resampled, mixed with other sound or coded above 256 kb/s afterwards
often hides it; not found proves nothing. A listening reference may be lossy where the spec says so.
Passes: 24-bit PCM in a file named .aif that is really a WAV: lossless all the same.
Fails: vocal.wav whose content is MPEG layer III; a WAV in which 30 % of the coefficients of an MP3
frame are near zero and 4 % one sample beside it.
To do: export the file again from the session as WAV or FLAC; renaming or converting it back does
not bring anything back.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from stemprep.checks.header_faults import merged_faults
from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.tell import about_file, severity_under
from stemprep.model.facts import CodecTraceFacts
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "lossy-source"
_SHARE = "of the coefficients near zero"
_HISTORY = "line of the coding history"
NATURE = Nature(
    scope="file",
    heading="Went through a lossy codec",
    files_are="from a lossy codec",
    concern="flaw",
    explains=(
        Explanation(effects=frozenset({"container", "bit-depth", "mixed-formats"}), cause_unit=""),
        Explanation(effects=frozenset({"bandwidth"})),
    ),
)
_ADVICE = "Ask for the file from before that codec; converting it again brings nothing back."

# EBU R 98-1999, the coding algorithm of a line of the coding history: MPEG1L3, MPEG2L2, ...
_LOSSY_ALGORITHM = re.compile(r"A=(MPEG[^,]*|AAC[^,]*|AC-?3[^,]*|MP3[^,]*)", re.IGNORECASE)


def check(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """Yield the reader's faults, else the encoding, else what a codec has left in the sound."""
    findings = list(merged_faults(file, ID, lambda fault: rule.severity))
    yield from findings
    form, severity = file.facts.format, severity_under(rule.severity)
    if findings or severity is None or form is None:
        return
    if form.encoding == "lossy":
        yield about_file(
            file,
            ID,
            severity,
            message=f"the sound is coded with loss ({form.container}), lossless is required",
            advice="Export the file again from the session as WAV or FLAC.",
            found=form.container,
            required="lossless",
        )
        return
    yield from _decoded(file, rule)


def _decoded(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """What linear sound and its coding history show of a codec before."""
    severity = severity_under(rule.severity, "warn")
    trace = None if file.facts.sound is None else file.facts.sound.codec_trace
    line = lossy_history(file)
    if severity is None or (trace is None and not line):
        return
    by_history = f"the coding history says so too: {line}" if trace else ""
    yield about_file(
        file,
        ID,
        severity,
        message=(
            f"the coding history says that the sound was coded with loss: {line}"
            if trace is None
            else "; ".join(filter(None, (trace_words(trace), by_history)))
        ),
        advice=_ADVICE,
        start_sample=trace.places[0] if trace is not None and trace.places else None,
        found=line if trace is None else trace.zero_share,
        required="lossless" if trace is None else trace.typical_share,
        unit=_HISTORY if trace is None else _SHARE,
    )


def trace_words(trace: CodecTraceFacts) -> str:
    """What was found, with its evidence."""
    return (
        f"went through {trace.family} and was decoded again: on a grid of "
        f"{trace.frame_samples:,} samples from sample {trace.offset_samples:,} on, "
        f"{trace.zero_share:.0%} of the coefficients are near zero, "
        f"{trace.typical_share:.0%} beside it"
    )


def lossy_history(file: MeasuredFile) -> str:
    """The first line of the coding history that names a lossy codec; "" for none."""
    bext = file.facts.header.bext
    lines = () if bext is None else bext.coding_history.splitlines()
    return next((line.strip() for line in lines if _LOSSY_ALGORITHM.search(line)), "")
