"""The sound is interrupted: a hole of digital zero, or a buffer that was played twice.

Either comes from a disk or a processor that was too slow while recording or exporting. Nobody
hears it in the full arrangement; soloed and compressed it is a tick or a stutter.

Measured: zeros of 64 samples and more with sound of at least -50 dBFS right beside them on both
sides, alike in level within 12 dB, and an abrupt edge; exact copies of 64 to 4,800 samples
shortly after the original. Every one with channel, position and length.
Limit: none; a hole of more than 4,800 samples is taken for an edit or a mute (common practice, no
source).
Severity: as the spec says. Lower by these rules: longer gaps, and holes as evenly spaced as those
of a chopped sound, have ceilings of their own; a file that the sheet calls `intended: stutter`
(or gated, chopped, glitch, loop) gets a note.
Not a dropout: pauses, edits at zero crossings, gates with ramps or at a threshold, periods of a
steady tone, loops, the same drum hit twice.
Passes: a tom track with a hard gate; a verse muted by the automation.
Fails: a vocal that is zero for 512 samples in the middle of a word.
To do: export the file again and listen to the places; if the recording has it too, use another
take or draw a crossfade over it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.intended import own_severity
from stemprep.checks.nature import Nature
from stemprep.checks.tell import (
    Run,
    about_file,
    count_of,
    heard,
    occurrences_of,
    place,
    severity_under,
    span,
)
from stemprep.model.definition import Key
from stemprep.model.facts import Runs
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import SampleCount
from stemprep.model.words import Ceiling, Severity

ID = "dropout"


@dataclass(frozen=True, slots=True, kw_only=True)
class DropoutRule(Rule):
    """severity: holes up to max_hole_samples and repeated buffers."""

    max_hole_samples: Annotated[SampleCount, Key("a longer gap is taken for an edit", 4800)]
    long_severity: Annotated[Ceiling, Key("weight of longer gaps", "note")]
    regular_severity: Annotated[Ceiling, Key("weight of evenly spaced holes", "note")]


NATURE = Nature(
    scope="file",
    heading="Hole or repeated piece inside the sound",
    files_are="with dropouts",
    concern="flaw",
    rule=DropoutRule,
)


_INTENDED = frozenset({"stutter", "gated", "gate", "chopped", "glitch", "loop"})
_ADVICE = "Listen to these places; export again, and if the recording has it too, repair or retake."


def check(file: MeasuredFile, rule: DropoutRule) -> Iterator[Finding]:
    """Yield one finding for all interruptions, the worst kind first."""
    known = heard(file)
    if known is None or rule.severity == "off":
        return
    form, sound = known
    found = sound.transients
    short = _within(found.holes, rule.max_hole_samples)
    long = tuple(run for run in found.holes.runs if run[2] - run[1] > rule.max_hole_samples)
    kinds: list[tuple[Ceiling, str, tuple[Run, ...], int]] = [
        (rule.severity, "hole", short, found.holes.count - len(long)),
        (rule.severity, "repeated buffer", found.repeats.runs, found.repeats.count),
        (rule.regular_severity, "evenly spaced hole", *_all(found.regular_holes)),
        (rule.long_severity, "longer gap", long, len(long)),
    ]
    told = []
    for ceiling, noun, runs, count in kinds:
        severity = severity_under(ceiling, own_severity(file, _INTENDED))
        if count and severity is not None:
            told.append((severity, noun, runs, count))
    if told:
        yield _finding(file, form, told, rule)


def _finding(
    file: MeasuredFile,
    form: AudioFormat,
    told: list[tuple[Severity, str, tuple[Run, ...], int]],
    rule: DropoutRule,
) -> Finding:
    worst = [kind for kind in told if kind[0] == min((k[0] for k in told), key=_ORDER.index)]
    runs = tuple(run for _, _, listed, _ in worst for run in listed)
    count = sum(count for _, _, _, count in worst)
    channels = {channel for channel, _, _ in runs}
    return about_file(
        file,
        ID,
        worst[0][0],
        message="; also ".join(_words(form, noun, listed, n) for _, noun, listed, n in told)
        + f"; none expected inside a sound (up to {rule.max_hole_samples:,} samples)",
        advice=_ADVICE,
        channel=channels.pop() if len(channels) == 1 else None,
        start_sample=min((run[1] for run in runs), default=None),
        end_sample=max((run[2] for run in runs), default=None),
        occurrences=occurrences_of(runs, count),
        found=count,
        required=0,
        unit="places",
    )


_ORDER: tuple[Severity, ...] = ("fail", "warn", "note")


def _words(form: AudioFormat, noun: str, runs: tuple[Run, ...], count: int) -> str:
    if not runs:
        return count_of(count, noun)
    channel, start, end = max(runs, key=lambda run: (run[2] - run[1], -run[1]))
    length = span(end - start, form.sample_rate_hz)
    at = place(channel, form.channels, start, form.sample_rate_hz)
    return f"{count_of(count, noun)}, {'the longest ' if count > 1 else ''}{length} {at}"


def _within(runs: Runs, longest: int) -> tuple[Run, ...]:
    return tuple(run for run in runs.runs if run[2] - run[1] <= longest)


def _all(runs: Runs) -> tuple[tuple[Run, ...], int]:
    return runs.runs, runs.count
