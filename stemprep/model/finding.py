"""A finding: a fact that breaks a rule of the spec."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Annotated

from stemprep.model.definition import ItemCount, Range
from stemprep.model.density import Density
from stemprep.model.record_codec import LEFT_OUT, Written
from stemprep.model.value_types import Channel, CheckId, Count
from stemprep.model.words import OperationName, Severity

MAX_WORST = 10
FIGURE = Written(decimals=6, is_flagged=True)
Paths = Annotated[tuple[str, ...], ItemCount(is_unique=True)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """One place where a finding holds; samples at the file's own rate, end exclusive."""

    channel: Channel | None
    start_sample: Count
    end_sample: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrences:
    """How often a finding holds in one file; the worst ten places, worst first.

    density: where all of them are, listed or not; None: those listed are all.
    """

    count: Annotated[int, Range(1, math.inf)]
    worst: Annotated[tuple[Occurrence, ...], ItemCount(high=MAX_WORST)] = ()
    density: Annotated[Density | None, LEFT_OUT] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One finding per check and file; ``file`` and ``files`` name only what would have to change.

    file:      path of the one file at fault; None when the cause is the set's.
    files:     all paths at fault (holds ``file`` too).
    against:   paths that it was compared with.
    found, required, unit: the measured value and the limit, numbers where there are any.
    repair:    operation that would cure it in a delivered copy; None where a person must act.
    waived_by: initials of who signed the exception; None while it counts.
    """

    check: CheckId
    severity: Severity
    message: str
    advice: str
    file: str | None = None
    files: Paths = ()
    against: Paths = ()
    song: str | None = None
    channel: Channel | None = None
    start_sample: Count | None = None
    end_sample: Count | None = None
    start_bar: str | None = None
    occurrences: Occurrences | None = None
    found: Annotated[float | int | str | None, FIGURE] = None
    required: Annotated[float | int | str | None, FIGURE] = None
    unit: str = ""
    repair: OperationName | None = None
    waived_by: str | None = None
    waiver_reason: str | None = field(default=None)

    @property
    def spots(self) -> tuple[Occurrence, ...]:
        """Where in its file it holds, worst first; empty where it has no place in time."""
        if self.occurrences is not None and self.occurrences.worst:
            return self.occurrences.worst
        if self.start_sample is None:
            return ()
        end = self.start_sample + 1 if self.end_sample is None else self.end_sample
        return (Occurrence(channel=self.channel, start_sample=self.start_sample, end_sample=end),)

    @property
    def counts(self) -> bool:
        """True when it bears on verdict and exit code."""
        return self.waived_by is None
