"""The waveform was cut off at a ceiling.

Flat tops are distortion that nobody can take out again; the mastering engineer hears them as soon
as the level goes up, and asks for a new export.

Measured: runs of neighbouring samples at full scale; flat tops: runs at one level at the peak of
the sound below full scale, what a clip looks like after the fader went down; float samples over
full scale that are no runs. Every run with channel, position and length.
Limit: 2 samples in a row at full scale, fewer than 3 flat tops (common practice, no source; over
counters count from 3 samples). One sample at full scale is a peak, no clip.
Severity: full-scale runs as the spec says. Lower by these rules: flat tops and float over full
scale have ceilings of their own; in a float file everything is warn at most, because float has no
ceiling of its own: what cut it lies before the file and may be meant; a file that the sheet calls
`intended: distorted` (or clipped) gets a note.
Passes: a mix with one sample at 0 dBFS; a saturated guitar without flat tops.
Fails: a 24-bit drum stem with 572 runs at full scale; the same turned down by 1 dB afterwards.
To do: turn down what feeds the clip and export again. A float file over full scale is intact: keep
it in float, or turn everything that adds up together down by the gain stated.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.tell import (
    Run,
    about_file,
    count_of,
    heard,
    occurrences_of,
    place,
    severity_under,
)
from stemprep.model.definition import Key, Range
from stemprep.model.density import Density
from stemprep.model.facts import Runs, Sound
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import SampleCount
from stemprep.model.words import (
    SEVERITY_ORDER,
    Ceiling,
    OperationName,
    Severity,
    lower_severity,
)

ID = "clipping"
MIN_TURNED_DOWN_DB = 0.005  # less reads as -0.00 dBFS, and is no turning down that anybody does


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippingRule(Rule):
    """severity: full-scale runs; the others have ceilings of their own."""

    max_run_samples: Annotated[SampleCount, Key("longest run at full scale that passes", 2)]
    flat_top_severity: Annotated[Ceiling, Key("weight of flat tops below full scale", "warn")]
    min_flat_tops: Annotated[int, Range(1, 1000000), Key("fewer are no finding", 3)]
    float_over_severity: Annotated[Ceiling, Key("weight of float samples over full scale", "warn")]


NATURE = Nature(
    scope="file",
    heading="Clipped",
    files_are="clipped",
    concern="flaw",
    rule=ClippingRule,
    explains=(Explanation(effects=frozenset({"sample-peak", "true-peak"})),),
)


_INTENDED = frozenset({"distorted", "clipped"})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fault:
    """One of the three ways to be over the top, before they are told together."""

    severity: Severity
    message: str
    advice: str
    runs: tuple[Run, ...] = ()
    count: int = 0
    is_capped: bool = False
    density: Density | None = None
    found: float | int
    required: float | int
    unit: str
    repair: OperationName | None = None


def check(file: MeasuredFile, rule: ClippingRule) -> Iterator[Finding]:
    """Yield one finding for all that was clipped or runs over, worst first."""
    known = heard(file)
    if known is None or rule.severity == "off":
        return
    form, sound = known
    own = _own_severity(file, form)
    faults = [
        fault
        for fault in (
            _full_scale(form, sound, rule, own),
            _flat_tops(form, sound, rule, own),
            _float_over(form, sound, rule, own),
        )
        if fault is not None
    ]
    if faults:
        yield _together(file, sound, sorted(faults, key=lambda f: SEVERITY_ORDER[f.severity]))


def _own_severity(file: MeasuredFile, form: AudioFormat) -> Severity:
    note = file.source.note
    if note is not None and _INTENDED & {word.strip().casefold() for word in note.intended}:
        return "note"
    return "warn" if form.encoding == "float" else "fail"


def _full_scale(
    form: AudioFormat, sound: Sound, rule: ClippingRule, own: Severity
) -> _Fault | None:
    runs = sound.clipping.full_scale
    kept, count = _longer_than(runs, rule.max_run_samples)
    severity = severity_under(rule.severity, own)
    if not count or severity is None:
        return None
    longest = count_of(runs.longest, "consecutive full-scale sample")
    return _Fault(
        severity=severity,
        message=f"{longest}{_where(form, kept)}, {rule.max_run_samples} allowed"
        + (f" ({count:,} such runs)" if count > 1 else ""),
        advice="Turn down what feeds the clip and export again; it cannot be taken out afterwards.",
        runs=kept,
        density=runs.density if len(kept) == len(runs.runs) else None,
        count=count,
        is_capped=runs.is_capped,
        found=runs.longest,
        required=rule.max_run_samples,
        unit="samples",
    )


def _flat_tops(form: AudioFormat, sound: Sound, rule: ClippingRule, own: Severity) -> _Fault | None:
    tops = sound.clipping.flat_tops
    severity = severity_under(lower_ceiling(rule.severity, rule.flat_top_severity), own)
    if tops.count < rule.min_flat_tops or severity is None:
        return None
    level = sound.clipping.flat_top_dbfs
    is_turned_down = level is not None and level <= -MIN_TURNED_DOWN_DB
    at = f" at {level:.2f} dBFS" if is_turned_down else " just below full scale"
    how = "clipped before it was turned down" if is_turned_down else "clipped"
    return _Fault(
        severity=severity,
        message=f"{count_of(tops.count, 'flat top')}{at}, the longest {tops.longest:,} samples"
        f"{_where(form, tops.runs)}: {how}",
        advice="Look for the clip before the fader or in a plug-in, take it out and export again.",
        runs=tops.runs,
        density=tops.density,
        count=tops.count,
        is_capped=tops.is_capped,
        found=tops.count,
        required=rule.min_flat_tops - 1,
        unit="flat tops",
    )


def _float_over(
    form: AudioFormat, sound: Sound, rule: ClippingRule, own: Severity
) -> _Fault | None:
    level = sound.level
    severity = severity_under(lower_ceiling(rule.severity, rule.float_over_severity), own)
    is_over = form.encoding == "float" and level.samples_over_full_scale > 0
    if severity is None or not is_over or not math.isfinite(level.sample_peak_dbfs):
        return None
    gain_db = -math.ceil(level.sample_peak_dbfs * 100) / 100
    at = place(
        level.sample_peak_channel, form.channels, level.sample_peak_sample, form.sample_rate_hz
    )
    peak: Run = (
        level.sample_peak_channel,
        level.sample_peak_sample,
        level.sample_peak_sample + 1,
    )
    return _Fault(
        severity=severity,
        message=f"{count_of(level.samples_over_full_scale, 'sample')} over full scale, up to "
        f"{level.sample_peak_dbfs:+.2f} dBFS {at}; intact in float, "
        f"fixed point needs {gain_db:.2f} dB first",
        advice="Keep it in float, or turn everything that adds up together down by "
        f"{-gain_db:.2f} dB.",
        runs=(peak,),
        count=level.samples_over_full_scale,
        found=round(level.sample_peak_dbfs, 2),
        required=0.0,
        unit="dBFS",
        repair="gain",
    )


def lower_ceiling(left: Ceiling, right: Ceiling) -> Ceiling:
    """Return the milder of two ceilings; off is the mildest."""
    return "off" if left == "off" or right == "off" else lower_severity(left, right)


def _longer_than(runs: Runs, limit: int) -> tuple[tuple[Run, ...], int]:
    """Return the listed runs over the limit, and how many there are in all."""
    kept = tuple(run for run in runs.runs if run[2] - run[1] > limit)
    if runs.longest <= limit:
        return (), 0
    return kept, runs.count if len(kept) == len(runs.runs) else max(1, len(kept))


def _where(form: AudioFormat, runs: tuple[Run, ...]) -> str:
    """Place of the longest listed run."""
    if not runs:
        return ""
    channel, start, _ = max(runs, key=lambda run: (run[2] - run[1], -run[1]))
    return f" {place(channel, form.channels, start, form.sample_rate_hz)}"


def _together(file: MeasuredFile, sound: Sound, faults: list[_Fault]) -> Finding:
    """All in one finding; figures, places and advice are those of the worst."""
    worst = faults[0]
    start, end = _extent(worst, sound.frames)
    return about_file(
        file,
        ID,
        worst.severity,
        message="; also ".join(fault.message for fault in faults),
        advice=worst.advice,
        channel=_only_channel(worst),
        start_sample=start,
        end_sample=end,
        occurrences=occurrences_of(worst.runs, worst.count, worst.density),
        found=worst.found,
        required=worst.required,
        unit=worst.unit,
        repair=worst.repair if len(faults) == 1 else None,
    )


def _extent(fault: _Fault, frames: int) -> tuple[int | None, int | None]:
    """From the first to the last place; to the end of the file where not all are listed."""
    if not fault.runs:
        return None, None
    start = min(run[1] for run in fault.runs)
    return start, frames if fault.is_capped else max(run[2] for run in fault.runs)


def _only_channel(fault: _Fault) -> int | None:
    channels = {run[0] for run in fault.runs}
    return channels.pop() if len(channels) == 1 and not fault.is_capped else None
