"""The checks, one module each, whose docstring is its manual; and the judgement over them all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches

from stemprep.checks import (
    bandwidth,
    bit_depth,
    channel_count,
    checksum,
    click,
    clipping,
    clutter,
    container,
    cut_off,
    dc_offset,
    dropout,
    dual_mono,
    duplicate_audio,
    fade_time,
    head_silence,
    header,
    hum,
    late_entry,
    length,
    lossy_source,
    loudness,
    metadata,
    mic_delay,
    mic_polarity,
    missing_file,
    mixed_formats,
    name,
    name_collision,
    noise_floor,
    not_finite,
    null_test,
    original_changed,
    original_missing,
    original_renamed,
    original_unpadded,
    padded_word,
    recording_code,
    sample_peak,
    sample_rate,
    silent_channel,
    silent_file,
    split_pair,
    start_alignment,
    stereo_polarity,
    tail_silence,
    time_reference,
    true_peak,
    truncated,
    unexpected_file,
    unplaced,
    unreadable,
    unsafe_entry,
    waiver,
    wrong_rate_label,
    wrong_speed,
    wrong_word_label,
)
from stemprep.checks.judging import Judgement, judge_by, verdict_of
from stemprep.checks.nature import CONCERNS, Check, Concern, Nature
from stemprep.checks.returns import judge_return_by
from stemprep.errors import UsageError
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import Returned
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import MeasuredSession

__all__ = [
    "CHECKS",
    "CONCERNS",
    "Check",
    "Concern",
    "Judgement",
    "Nature",
    "judge",
    "judge_return",
    "manual",
    "verdict_of",
]


_MODULES = (
    unreadable,
    truncated,
    header,
    checksum,
    metadata,
    lossy_source,
    container,
    sample_rate,
    bit_depth,
    padded_word,
    wrong_word_label,
    channel_count,
    not_finite,
    clipping,
    sample_peak,
    true_peak,
    loudness,
    dc_offset,
    silent_file,
    silent_channel,
    head_silence,
    tail_silence,
    cut_off,
    dropout,
    click,
    dual_mono,
    stereo_polarity,
    bandwidth,
    noise_floor,
    hum,
    name,
    start_alignment,
    time_reference,
    length,
    wrong_rate_label,
    mixed_formats,
    duplicate_audio,
    split_pair,
    null_test,
    mic_polarity,
    mic_delay,
    fade_time,
    recording_code,
    name_collision,
    clutter,
    unexpected_file,
    missing_file,
    unsafe_entry,
    original_changed,
    original_missing,
    original_renamed,
    original_unpadded,
    late_entry,
    wrong_speed,
    unplaced,
    waiver,
)

CHECKS: Mapping[str, Check] = {
    module.ID: Check(
        id=module.ID,
        nature=module.NATURE,
        run=module.check,
        manual=(module.__doc__ or "").strip() + "\n",
    )
    for module in _MODULES
}
"""Every check by its id, in the order in which a report tells equal findings on one file."""


def judge(measured: MeasuredSession, spec: DeliverySpec) -> Judgement:
    """Judge a measured session: which findings stand, how severe, and what follows from them."""
    return judge_by(measured, spec, CHECKS)


def judge_return(
    returned: Returned,
    findings: Sequence[Finding],
    spec: DeliverySpec,
    measured: MeasuredSession | None = None,
) -> tuple[Finding, ...]:
    """Judge what came back of a delivery; ``findings``: of the returned files by themselves."""
    return judge_return_by(returned, findings, spec, CHECKS, measured)


def manual(check: str) -> str:
    """Return the manual of a check; UsageError with the nearest id for one that does not exist."""
    if check in CHECKS:
        return CHECKS[check].manual
    nearest = get_close_matches(check, CHECKS, n=1, cutoff=0.0)
    raise UsageError(f"no check is called '{check}'; did you mean '{nearest[0]}'?")
