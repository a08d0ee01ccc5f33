"""The highest sample is above the level that the receiver asks for.

Head-room that was agreed on is not there. No standard sets such a level; houses ask for anything
from just below 0 to -6 dBFS.

Measured: the largest absolute sample of all channels, full scale = 0 dBFS, compared as it is told:
to 0.01 dB.
Limit: the spec's; none by default (common practice, no source).
Passes: a mix that peaks at -6.2 dBFS where at most -6 dBFS is asked.
Fails: a mix that peaks at -0.3 dBFS where at most -6 dBFS is asked.
To do: turn the mix and all stems that add up to it down together and export again; never one file
alone, and no limiter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.tell import about_file, heard, place, severity_under
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import LevelDb

ID = "sample-peak"


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplePeakRule(Rule):
    """Highest sample peak."""

    max_dbfs: Annotated[LevelDb | None, Key("highest sample peak, dBFS", -0.3)]


NATURE = Nature(
    scope="file",
    heading="Peaks too high",
    files_are="peaking too high",
    concern="form",
    rule=SamplePeakRule,
    explains=(Explanation(effects=frozenset({"true-peak"})),),
)


def check(file: MeasuredFile, rule: SamplePeakRule) -> Iterator[Finding]:
    """Yield a finding when the sample peak is above the limit."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None or rule.max_dbfs is None:
        return
    form, sound = known
    level = sound.level
    if round(level.sample_peak_dbfs, 2) <= rule.max_dbfs:
        return
    where = place(
        level.sample_peak_channel, form.channels, level.sample_peak_sample, form.sample_rate_hz
    )
    yield about_file(
        file,
        ID,
        severity,
        message=f"the sample peak is {level.sample_peak_dbfs:.2f} dBFS {where}, "
        f"at most {rule.max_dbfs:.2f} dBFS required",
        advice="Turn down everything that adds up together by the same amount and export again.",
        channel=level.sample_peak_channel,
        start_sample=level.sample_peak_sample,
        end_sample=level.sample_peak_sample + 1,
        found=round(level.sample_peak_dbfs, 2),
        required=rule.max_dbfs,
        unit="dBFS",
        repair="gain",
    )
