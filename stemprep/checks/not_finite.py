"""Samples that are no number: NaN or infinity in a float file.

One of them can blow up a mix bus, mute a plug-in until it is reloaded, or turn the whole master
into noise. They come from crashed processors and broken renders.

Measured: every float sample; how many, and where the first stands. Very small numbers (denormals)
are numbers and are left alone. Other figures of such a file mean nothing and are not judged.
Limit: none allowed; IEEE 754 has no level for them.
Passes: a float file with a tail of denormals.
Fails: a float file with one NaN at 0:00.187.
To do: render the file again; look at the plug-in that was active at the stated time.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import SOUND_CHECKS, Explanation, Nature
from stemprep.checks.tell import about_file, channel_name, count_of, heard, severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.units import clock_from_samples

ID = "not-finite"
NATURE = Nature(
    scope="file",
    heading="Holds samples that are no numbers",
    files_are="with samples that are not numbers",
    concern="loss",
    explains=(Explanation(effects=SOUND_CHECKS | {"silent-file"}, is_artefact=True),),
    is_waivable=False,
)


def check(file: MeasuredFile, rule: Rule) -> Iterator[Finding]:
    """Yield a finding with count, channel and time of the first."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None or not known[1].non_finite.count:
        return
    form, sound = known
    bad = sound.non_finite
    where = ""
    if bad.first_channel is not None and bad.first_sample is not None:
        clock = clock_from_samples(bad.first_sample, form.sample_rate_hz)
        where = f", the first in {channel_name(bad.first_channel, form.channels)} at {clock}"
    yield about_file(
        file,
        ID,
        severity,
        message=f"{count_of(bad.count, 'sample')} without a value (NaN or infinite){where}",
        advice="Render the file again, and look at what was active at that time.",
        channel=bad.first_channel,
        start_sample=bad.first_sample,
        end_sample=None if bad.first_sample is None else bad.first_sample + 1,
        found=bad.count,
        required=0,
        unit="samples",
    )
