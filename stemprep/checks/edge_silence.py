"""Silence before the first and after the last sound, for the two checks that limit it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Literal

from stemprep.checks.tell import about_file, heard, severity_under
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import Seconds
from stemprep.units import seconds_from_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSilenceRule(Rule):
    """Longest silence at head or tail, by the spec's measuring settings."""

    max_s: Annotated[Seconds, Key("longest silence that passes, s", 2.0)]


def edge_silence(
    file: MeasuredFile, rule: EdgeSilenceRule, check: str, edge: Literal["head", "tail"]
) -> Iterator[Finding]:
    """Yield a finding when the silence at one edge is longer than the rule's limit."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None:
        return
    form, sound = known
    silence = sound.silence
    at_head = edge == "head"
    samples = silence.edge_leading_samples if at_head else silence.edge_trailing_samples
    seconds = seconds_from_samples(samples, form.sample_rate_hz)
    is_told_at_head = not at_head and samples == sound.frames
    if seconds <= rule.max_s or is_told_at_head:
        return
    start = 0 if at_head else sound.frames - samples
    where = "before the first" if at_head else "after the last"
    yield about_file(
        file,
        check,
        severity,
        message=f"{seconds:.2f} s at or below {silence.edge_threshold_dbfs:.0f} dBFS {where} "
        f"sound, at most {rule.max_s:g} s expected",
        advice="Leave it if files have to line up; else trim the whole song together, none alone.",
        start_sample=start,
        end_sample=start + samples,
        found=round(seconds, 3),
        required=rule.max_s,
        unit="s",
    )
