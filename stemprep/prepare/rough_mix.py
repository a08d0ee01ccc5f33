"""Which files make a rough mix, and how loud each one is on either side.

Pan law, told with every mix: a mono file by constant power, sine and cosine, -3.01 dB in the
centre; a stereo file by balance, both sides at unity in the centre, the far side turned down by a
cosine.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.model.null_test import NullTest
from stemprep.model.plan import LeftOut, OutputPlan
from stemprep.model.rough_mix import MixPart, Recipe
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Role
from stemprep.units import ratio_from_db

PAN_LAW = (
    "mono files by constant power (-3.01 dB in the centre), stereo files by balance (0 dB in the "
    "centre)"
)
TRACK_ROLES: frozenset[Role] = frozenset({"track", "di", "effect-return", "unknown"})
_NEVER: Mapping[Role, str] = {
    "talkback": "talkback",
    "click": "click",
    "guide": "guide",
    "alternate-mix": "an alternate mix",
    "listening-reference": "a listening reference",
}
_FULL = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One file of the package with what is known of it.

    file:      the dropped file that it is made from, or the first of them.
    player:    who plays; None where nobody told.
    dry_twin_of: package path of the file that holds the same sound with its effect printed.
    """

    output: OutputPlan
    file: MeasuredFile
    player: str | None = None
    dry_twin_of: str | None = None


def rough_mix_recipe(
    song: str,
    candidates: Sequence[Candidate],
    reference_mix: str | None = None,
    null_tests: Sequence[NullTest] = (),
) -> Recipe:
    """Decide what the rough mix of one song is made from; candidates in the package's order.

    A supplied rough mix goes before ``reference_mix`` (a dropped path), that before any other mix.
    Stems go before tracks; effect returns go with both.
    """
    supplied = _supplied(candidates, reference_mix)
    rate_hz = _usual_rate(candidates)
    base: Role = "stem" if any(_is_main_stem(each) for each in candidates) else "track"
    amplified = {
        each.file.source.group
        for each in candidates
        if each.output.role == "track" and not _is_aside(each)
    } - {None}
    parts: list[MixPart] = []
    left_out: list[LeftOut] = []
    for each in candidates:
        if each.output.role in ("mix", "rough-mix"):
            continue  # a mix is told as one
        reason = _reason_against(each, base, rate_hz, amplified)
        if reason:
            left_out.append(LeftOut(path=each.output.path, reason=reason))
        else:
            parts.append(_part(each))
    return Recipe(
        song=song,
        supplied=supplied,
        parts=tuple(parts),
        left_out=tuple(left_out),
        adds_up_to=_nulled_mix(parts, candidates, null_tests),
    )


def pan_matrix(channels: int, level_db: float | None, pan: float | None) -> npt.NDArray[np.float64]:
    """How one or two channels go to left and right, float64, shape (2, channels).

    level_db None: unity; pan None: the centre. Quarter left by constant power is -0.69 dB left and
    -8.34 dB right (sine and cosine of 22.5 degrees).
    """
    gain = ratio_from_db(level_db or 0.0)
    side = max(-_FULL, min(_FULL, pan or 0.0)) / _FULL
    if channels == 1:
        angle = (side + 1) * math.pi / 4
        return np.array([[gain * math.cos(angle)], [gain * math.sin(angle)]])
    left = gain * (math.cos(side * math.pi / 2) if side > 0 else 1.0)
    right = gain * (math.cos(side * math.pi / 2) if side < 0 else 1.0)
    return np.diag([left, right])


def _supplied(candidates: Sequence[Candidate], reference_mix: str | None) -> str | None:
    """Path of the mix that came with the drop: a rough mix, else the reference, else any mix."""

    def rank(each: Candidate) -> int:
        is_reference = reference_mix in each.output.sources
        return 0 if each.output.role == "rough-mix" else 1 if is_reference else 2

    mixes = [
        each
        for each in candidates
        if each.output.role in ("mix", "rough-mix")
        and not _is_aside(each)
        and not each.output.is_damaged
        and each.output.format is not None
    ]
    return min(mixes, key=rank).output.path if mixes else None


def _nulled_mix(
    parts: Sequence[MixPart], candidates: Sequence[Candidate], null_tests: Sequence[NullTest]
) -> str | None:
    """Package path of the mix that exactly these parts null with, added up as they are.

    Only stereo parts without level and pan of the sheet are added up here as the test did.
    """
    if not parts or any(part.channels != 2 or part.level_db or part.pan for part in parts):
        return None
    paths = {source: each.output.path for each in candidates for source in each.output.sources}
    summed = {part.path for part in parts}
    for test in null_tests:
        if test.verdict != "not" and {paths.get(stem) for stem in test.stems} == summed:
            return paths.get(test.reference)
    return None


def _is_main_stem(each: Candidate) -> bool:
    return each.output.role == "stem" and not _is_aside(each)


def _is_aside(each: Candidate) -> bool:
    """Tell whether the sheet calls the file an alternate or unused."""
    note = each.file.source.note
    return each.file.source.use != "main" or (note is not None and note.alternate_of is not None)


def _usual_rate(candidates: Sequence[Candidate]) -> int | None:
    rates = Counter(
        each.output.format.sample_rate_hz for each in candidates if each.output.format is not None
    )
    return min(rates, key=lambda rate: (-rates[rate], rate), default=None)


def _reason_against(
    each: Candidate, base: Role, rate_hz: int | None, amplified: set[str | None]
) -> str:
    output, source = each.output, each.file.source
    form = output.format
    if output.role in _NEVER:
        return _NEVER[output.role]
    if source.use == "unused":
        return "marked unused in the session sheet"
    if _is_aside(each):
        return "an alternate"
    if output.role not in TRACK_ROLES | {"stem"} or form is None:
        return "not a file that a mix is made from"
    if base == "stem" and output.role not in ("stem", "effect-return"):
        return "the stems hold it"
    if output.is_damaged:
        return "damaged"
    if form.sample_rate_hz != rate_hz:
        return (
            f"at {form.sample_rate_hz / 1000:g} kHz, the rest is at {(rate_hz or 0) / 1000:g} kHz"
        )
    if form.channels > 2:
        return f"{form.channels} channels, a mix takes one or two"
    if output.role == "di" and source.group in amplified:
        return "a DI whose amplifier is there"
    if each.dry_twin_of is not None:
        return f"dry; its effect is printed in {each.dry_twin_of}"
    return ""


def _part(each: Candidate) -> MixPart:
    note, form = each.file.source.note, each.output.format
    assert form is not None, "a part has a format"
    is_joined = len(each.output.sources) > 1  # the pans of two sides are in the pair already
    return MixPart(
        path=each.output.path,
        channels=form.channels,
        level_db=None if note is None else note.level_db,
        pan=None if note is None or is_joined else note.pan,
        player=each.player,
    )
