"""The signal between the samples goes above the level that the receiver asks for.

The samples fit, the curve through them does not: converters and lossy encoders clip it.

Measured: the highest interpolated value (ITU-R BS.1770-5, Annex 2; the report names the filter),
compared as it is told: to 0.01 dB.
Limit: the spec's; 0 dBTP on mixes by default, none on tracks and stems (common practice; EBU R 128
asks for -1 dBTP of a finished programme, which a mix before mastering is not).
Passes: a mix at -0.4 dBTP where at most 0 dBTP is asked.
Fails: a mix whose samples stay at -0.2 dBFS and whose true peak is +0.3 dBTP.
To do: turn the mix and all stems that add up to it down together and export again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, heard, severity_under
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import LevelDb

ID = "true-peak"


@dataclass(frozen=True, slots=True, kw_only=True)
class TruePeakRule(Rule):
    """Highest true peak."""

    max_dbtp: Annotated[LevelDb | None, Key("highest true peak, dBTP", -1.0)]


NATURE = Nature(
    scope="file",
    heading="Peaks too high between samples",
    files_are="with true peaks too high",
    concern="form",
    rule=TruePeakRule,
)


def check(file: MeasuredFile, rule: TruePeakRule) -> Iterator[Finding]:
    """Yield a finding when the true peak is above the limit."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None or rule.max_dbtp is None:
        return
    level = known[1].level
    if round(level.true_peak_dbtp, 2) <= rule.max_dbtp:
        return
    yield about_file(
        file,
        ID,
        severity,
        message=f"the true peak is {level.true_peak_dbtp:+.2f} dBTP "
        f"(sample peak {level.sample_peak_dbfs:.2f} dBFS), "
        f"at most {rule.max_dbtp:.2f} dBTP required",
        advice="Turn down everything that adds up together by the same amount and export again.",
        found=round(level.true_peak_dbtp, 2),
        required=rule.max_dbtp,
        unit="dBTP",
        repair="gain",
    )
