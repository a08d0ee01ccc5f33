"""The sound was made at a lower sample rate than the file states.

A 96 kHz file whose spectrum ends at 22.05 kHz was converted up from 44.1 kHz, or made of samples
and loops of that rate. Nothing is wrong with the sound, but the higher rate holds nothing of it:
whoever has the original should send that.

Measured: the spectra of the eight loudest moments (2,048 frames each); whether the sound goes on
towards the edge of a lower rate (half of 22.05, 32, 44.1, 48, 88.2 or 96 kHz), falls there, and has
nothing above. Sound without treble tells nothing.
Limit: a fall of 40 dB (common practice, no source).
Passes: overheads at 96 kHz that reach 40 kHz; a bass that has nothing above 5 kHz anyway.
Fails: a 44.1 kHz loop in a 48 kHz export: it falls by 60 dB at 22 kHz.
To do: ask for the file at its own rate; if it was made of samples, leave it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, heard, rate_name, severity_under
from stemprep.model.definition import Key, Range
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "bandwidth"


@dataclass(frozen=True, slots=True, kw_only=True)
class BandwidthRule(Rule):
    """How far a spectrum must fall at a lower rate's edge to end there."""

    min_drop_db: Annotated[
        float,
        Range(30, 120),
        Key("fall at a lower rate's edge that tells converted sound, dB", 40.0),
    ]


NATURE = Nature(
    scope="file",
    heading="Looks converted from a lower rate",
    files_are="converted up",
    concern="form",
    rule=BandwidthRule,
)


def check(file: MeasuredFile, rule: BandwidthRule) -> Iterator[Finding]:
    """Yield a finding when the spectrum ends at a lower rate's edge."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None:
        return
    form, bandwidth = known[0], known[1].bandwidth
    rate_hz, drop_db = bandwidth.ends_like_rate_hz, bandwidth.drop_db
    if rate_hz is None or drop_db is None or drop_db < rule.min_drop_db:
        return
    yield about_file(
        file,
        ID,
        severity,
        message=f"looks converted up from {rate_name(rate_hz)}: next to nothing above "
        f"{rate_name(rate_hz // 2)} (the spectrum falls by {drop_db:.0f} dB there; "
        f"the file is at {rate_name(form.sample_rate_hz)})",
        advice=f"Ask for the original at {rate_name(rate_hz)}; leave it if it is made of samples.",
        found=rate_hz,
        required=form.sample_rate_hz,
        unit="Hz",
    )
