"""A file on its way through planning: what it would be after the steps planned so far."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from stemprep.model.facts import Sound
from stemprep.model.header import AudioFormat
from stemprep.model.plan import Operation, Parameter
from stemprep.model.session import MeasuredFile
from stemprep.model.words import CARRIED_ROLES, OperationName, Role
from stemprep.units import convert_samples, length_after_conversion

ADDING_ROLES: frozenset[Role] = frozenset({"mix", "alternate-mix", "stem"})
"""Roles that must still add up after the work: level changes for all of them or for none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """An operation and the format after it."""

    operation: Operation
    form: AudioFormat


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """One output file while it is being planned.

    form, frames:    of the result so far.
    start_samples:   time reference of its first sample at its rate; None unknown.
    leading, trailing: samples at head and tail that are silent in every channel.
    peak_dbfs:       highest sample to be expected; the true peak once the rate was converted.
    is_computed:     True once a result does not fit its source's word exactly.
    channel_name:    of a channel taken out of a file of many; "" otherwise.
    """

    sources: tuple[MeasuredFile, ...]
    form: AudioFormat
    frames: int
    start_samples: int | None
    leading: int
    trailing: int
    peak_dbfs: float
    steps: tuple[Step, ...] = ()
    is_computed: bool = False
    source_channels: tuple[int, ...] = ()
    channel_name: str = ""

    @property
    def first(self) -> MeasuredFile:
        """The file it is made from, or the first of two."""
        return self.sources[0]

    @property
    def key(self) -> tuple[str, tuple[int, ...]]:
        """What tells it from every other draft."""
        return self.first.path, self.source_channels

    @property
    def role(self) -> Role:
        """Role of its source."""
        return self.first.role

    @property
    def is_silent(self) -> bool:
        """True when no sample rises above the silence threshold."""
        return self.leading >= self.frames

    @property
    def is_over_possible(self) -> bool:
        """True when a sample could leave the range of the integer word it goes to."""
        return self.form.encoding == "integer" and self.has("convert-word-length")

    @property
    def operations(self) -> tuple[Operation, ...]:
        """The operations planned so far."""
        return tuple(step.operation for step in self.steps)

    def has(self, *names: OperationName) -> bool:
        """Tell whether one of the operations is planned."""
        return any(step.operation.name in names for step in self.steps)


def is_editable(file: MeasuredFile) -> bool:
    """Tell whether the file's samples may be worked on: decoded, not lossy, not only carried."""
    form = file.facts.format
    return (
        file.role not in CARRIED_ROLES
        and form is not None
        and file.facts.sound is not None
        and form.encoding in ("integer", "float")
        and file.facts.header.frames > 0
    )


def open_draft(file: MeasuredFile) -> Draft:
    """Begin with the file as it is; it must be editable."""
    form, sound = file.facts.format, file.facts.sound
    assert form is not None, "an editable file has a format"
    assert sound is not None, "an editable file has sound"
    note = file.source.note
    is_from_start = note is not None and note.order.is_from_start
    return Draft(
        sources=(file,),
        form=form,
        frames=sound.frames,
        start_samples=None if is_from_start else file.facts.header.time_reference_samples,
        leading=sound.silence.leading_samples,
        trailing=sound.silence.trailing_samples,
        peak_dbfs=sound.level.sample_peak_dbfs,
    )


def with_step(
    draft: Draft,
    name: OperationName,
    *,
    reason: str,
    evidence: str = "",
    form: AudioFormat | None = None,
    **parameters: Parameter,
) -> Draft:
    """Add one operation and the format it gives."""
    operation = Operation(name=name, parameters=parameters, reason=reason, evidence=evidence)
    return with_operation(draft, operation, form or draft.form)


def with_operation(draft: Draft, operation: Operation, form: AudioFormat) -> Draft:
    """Add one operation and the format it gives."""
    return replace(draft, form=form, steps=(*draft.steps, Step(operation=operation, form=form)))


def at_rate(draft: Draft, to_hz: int, true_hz: float | None = None) -> Draft:
    """Convert the draft's rate, length and positions.

    true_hz: at which its samples run, where that is another than its header says.
    """
    from_hz = true_hz or draft.form.sample_rate_hz
    start = draft.start_samples
    levels = [sound_of(file).level.true_peak_dbtp for file in draft.sources]
    return replace(
        draft,
        form=replace(draft.form, sample_rate_hz=to_hz),
        frames=length_after_conversion(draft.frames, from_hz, to_hz),
        start_samples=None
        if start is None
        else convert_samples(start, draft.form.sample_rate_hz, to_hz),
        leading=int(draft.leading * to_hz // Fraction(from_hz))
        if not draft.is_silent
        else length_after_conversion(draft.frames, from_hz, to_hz),
        trailing=int(draft.trailing * to_hz // Fraction(from_hz)),
        peak_dbfs=max(draft.peak_dbfs, *levels),
        is_computed=from_hz != to_hz or draft.is_computed,
    )


def sound_of(file: MeasuredFile) -> Sound:
    """Measurements of an editable file."""
    assert file.facts.sound is not None, "an editable file has sound"
    return file.facts.sound


def silence_dbfs(draft: Draft) -> float:
    """Level that the silent head and tail of the result stay under."""
    gains = [step.parameters.get("gain_db") for step in draft.operations if step.name == "gain"]
    gain_db = sum(value for value in gains if isinstance(value, float | int))
    return max(sound_of(file).silence.threshold_dbfs for file in draft.sources) + gain_db
