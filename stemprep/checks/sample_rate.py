"""The sample rate is not one that the receiver works at.

Dropped into a session of another rate the file plays at the wrong speed and pitch, or is
converted by whatever converter happens to be there.

Measured: the rate in the header. Whether that label is true is another question.
Limit: the spec's list; where it is empty, 8 to 384 kHz (common practice, no source).
Passes: a 48 kHz file where 44.1 and 48 kHz are accepted.
Fails: a 44.1 kHz file where only 48 kHz is accepted.
To do: export again at the session's rate; where the spec allows it, deliver converts with a high
quality converter and keeps the start on the sample.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.tell import about_file, rate_name, severity_under
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import RateHz

ID = "sample-rate"


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleRateRule(Rule):
    """Rates that may stay."""

    accepted_hz: Annotated[
        tuple[RateHz, ...], Key("rates that may stay; []: any", "[48000, 96000]")
    ]


NATURE = Nature(
    scope="file",
    heading="Another sample rate than wanted",
    files_are="at another sample rate",
    concern="form",
    rule=SampleRateRule,
    explains=(Explanation(effects=frozenset({"mixed-formats"}), unit="Hz"),),
)


# As the manual says (common practice, no source).
_LOWEST_HZ, _HIGHEST_HZ = 8_000, 384_000


def check(file: MeasuredFile, rule: SampleRateRule) -> Iterator[Finding]:
    """Yield a finding for a rate outside the list, or outside what can be converted at all."""
    form, severity = file.facts.format, severity_under(rule.severity)
    if form is None or severity is None:
        return
    rate_hz = form.sample_rate_hz
    is_workable = _LOWEST_HZ <= rate_hz <= _HIGHEST_HZ
    if rate_hz in rule.accepted_hz if rule.accepted_hz else is_workable:
        return
    required = (
        " or ".join(rate_name(rate) for rate in rule.accepted_hz)
        if rule.accepted_hz
        else f"{rate_name(_LOWEST_HZ)} to {rate_name(_HIGHEST_HZ)}"
    )
    yield about_file(
        file,
        ID,
        severity,
        message=f"the sample rate is {rate_name(rate_hz)}, {required} is required",
        advice=f"Export the file again at {required}, from the session and not from this file.",
        found=rate_hz,
        required=rule.accepted_hz[0] if len(rule.accepted_hz) == 1 else required,
        unit="Hz",
        repair="convert-rate" if is_workable else None,
    )
