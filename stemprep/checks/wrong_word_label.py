"""The header calls 32-bit words floating point, and they are integers; or the other way round.

Read by the header the file is a roar at full scale or nothing but numbers that cannot be. The
sound is there: only the label is wrong.

Measured: integers read as floats (IEEE 754 binary32) are over 120 dB too loud, or no numbers, for
one half of the swing and under -240 dBFS for the other; floats read as integers lie at 0.375 to
0.496 and at -0.504 to -0.625 and nowhere else.
Limit: a fifth of the samples too large and a fifth too small, or 98 % in those two bands (common
practice, no source; no sound comes near).
Passes: float samples at +12 dBFS; a square wave at half of full scale.
Fails: a 32-bit integer export whose format tag says 3, floating point.
To do: export again, or open the file as raw data of the other kind and listen.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import SOUND_CHECKS, Explanation, Nature
from stemprep.checks.tell import about_file, heard, severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "wrong-word-label"
NATURE = Nature(
    scope="file",
    heading="Words are not what the header says",
    files_are="with a wrong sample format in the header",
    concern="flaw",
    explains=(Explanation(effects=SOUND_CHECKS, is_artefact=True),),
)
_EVIDENCE = {
    "integer": "one half of the samples is too loud for any sound or no number, the other half "
    "vanishingly small",
    "float": "all samples lie close to half of full scale, none near zero",
}
_NAMES = {"integer": "integers", "float": "floating point"}


def check(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """Yield a finding when the words must be of the other kind."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None:
        return
    form, truth = known[0], known[1].word.reads_as
    if truth is None or truth == form.encoding:
        return
    yield about_file(
        file,
        ID,
        severity,
        message=f"the header says {_NAMES.get(form.encoding, form.encoding)}, the samples are "
        f"{_NAMES[truth]}: {_EVIDENCE[truth]}",
        advice="Export the file again; the sound is there, only its label is wrong.",
        found=truth,
        required=form.encoding,
    )
