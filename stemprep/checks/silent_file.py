"""Nothing in the file rises above silence.

A muted track, the wrong solo at export, a microphone that was not patched. The receiver cannot
tell a part that does not play from one that was lost.

Measured: every sample of every channel against the silence level of the spec's measuring settings
(-80 dBFS by default; common practice, no source). Digital silence is told apart from a noise floor.
Limit: at least one sample above that level (common practice, no source). No other check repeats
what is told here.
Passes: a room microphone whose noise peaks at -75 dBFS.
Fails: a stem of 3:20 of digital zero.
To do: look in the session whether the part is meant to be silent; if so, say so in the sheet or
leave the file out.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import EDGE_CHECKS, SIDE_CHECKS, Explanation, Nature
from stemprep.checks.tell import about_file, heard, severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "silent-file"
NATURE = Nature(
    scope="file",
    heading="Empty file",
    files_are="empty",
    concern="loss",
    explains=(
        Explanation(
            effects=SIDE_CHECKS | EDGE_CHECKS | {"loudness", "dc-offset", "padded-word"},
            is_artefact=True,
        ),
    ),
)


def check(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """Yield a finding when no sample rises above the silence level."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None:
        return
    sound = known[1]
    silence = sound.silence
    if not silence.is_silent(sound.frames):
        return
    found = (
        "every sample is zero"
        if silence.is_digital_silence
        else f"nothing above {sound.level.sample_peak_dbfs:.1f} dBFS "
        f"(sound begins above {silence.threshold_dbfs:.0f} dBFS)"
    )
    yield about_file(
        file,
        ID,
        severity,
        message=f"empty file: {found}",
        advice="Look in the session whether it was muted or the wrong track soloed at export.",
        start_sample=0,
        end_sample=sound.frames,
        found=round(sound.level.sample_peak_dbfs, 2) if not silence.is_digital_silence else None,
        required=silence.threshold_dbfs,
        unit="dBFS",
    )
