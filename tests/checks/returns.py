"""Returns for the checks on them: one original each, or one new file, in the smallest form."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from stemprep.checks import CHECKS, judge_return
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.reconciliation import NewFile, OriginalFate, Region, Returned
from stemprep.spec import load_spec

SESSION = AudioFormat(
    container="WAV",
    encoding="integer",
    sample_rate_hz=48_000,
    channels=1,
    bit_depth=24,
    container_bits=24,
)
BASS = OriginalFate(
    file="data/tracks/Bass.wav",
    source="Bass.wav",
    song="",
    role="track",
    format=SESSION,
    frames=960_000,
    returned_as="Bass.wav",
    status="identical",
)
GUITAR = NewFile(
    file="Guitar OD.wav",
    song="",
    role="track",
    format=SESSION,
    frames=480_000,
    start_sample=0,
    late_samples=0,
    placed_by="time-reference",
    evidence="by its time reference",
    confidence=0.99,
    session_format=SESSION,
)
LOWER = Region(start_sample=384_000, end_sample=480_000, kind="gain", gain_db=-3.0)


def returned(*parts: OriginalFate | NewFile, **changes: Any) -> Returned:
    """What came back, of these originals and new files."""
    plain = Returned(
        package="Slow-Ferry-Home_overdub_01",
        number=1,
        returned="from the barn",
        originals=tuple(part for part in parts if isinstance(part, OriginalFate)),
        new_files=tuple(part for part in parts if isinstance(part, NewFile)),
        session_formats={"": SESSION},
    )
    return replace(plain, **changes)


def judged(check: str, *parts: OriginalFate | NewFile, **changes: Any) -> list[Finding]:
    """What one check finds under the house rules."""
    assert check in CHECKS
    found = judge_return(returned(*parts, **changes), (), load_spec("base"))
    return [finding for finding in found if finding.check == check]
