"""Where the files of a song begin and end: a common start, a common trim, one length.

A time reference is evidence, not an order: where it contradicts itself nothing moves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from stemprep.model.plan import StartReference
from stemprep.model.rule import Operations
from stemprep.model.sheet import WorkOrder
from stemprep.model.words import LOOSE_ROLES
from stemprep.prepare.bar_order import BarOrder, reference_at
from stemprep.prepare.bar_start import begin_at_bars
from stemprep.prepare.draft import Draft, silence_dbfs, with_step
from stemprep.prepare.reshape import order_of
from stemprep.prepare.starts import doubt_of_starts, have_one_start, stamped, start_s
from stemprep.units import clock_from_samples, samples_from_seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Aligned:
    """Drafts after alignment, and what was decided about the whole song."""

    drafts: tuple[Draft, ...]
    notes: tuple[str, ...] = ()
    reference: StartReference | None = None


def align(
    drafts: Sequence[Draft], operations: Operations, bars: BarOrder, *, has_unworkable: bool
) -> Aligned:
    """Move, trim and pad the files of one song as ordered; never cut silence inside a file.

    has_unworkable: a file of the song can only be copied, so the whole cannot be trimmed.
    """
    placed = _placed(drafts, operations)
    begun = begin_at_bars(placed.drafts, bars, operations, has_unworkable=has_unworkable)
    head, trimmed = _trimmed(
        begun.drafts,
        operations,
        has_unworkable=has_unworkable,
        is_head_kept=begun.is_at_bar,
    )
    reference = begun.reference
    if head and begun.begins_samples is not None:
        reference = reference_at(bars.timeline, begun.begins_samples + head)
    padded = _padded(trimmed.drafts, operations)
    notes = placed.notes + begun.notes + trimmed.notes + padded.notes
    return Aligned(drafts=padded.drafts, notes=notes, reference=reference)


def _placed(drafts: Sequence[Draft], operations: Operations) -> Aligned:
    timed = stamped(drafts)
    offsets: dict[tuple[str, tuple[int, ...]], int] = {}
    notes: list[str] = []
    evidence = ""
    if operations.is_common_start and not have_one_start(drafts):
        doubt = doubt_of_starts(timed)
        if doubt:
            notes.append(f"Nothing was moved to a common start: {doubt}.")
        else:
            first = min(timed, key=start_s)
            offsets = {draft.key: _offset(draft, start_s(first)) for draft in timed}
            evidence = f"time references; the earliest is that of {first.first.path}"
            notes += _left_in_place(drafts, timed)
    results = []
    for draft in drafts:
        head = offsets.get(draft.key, 0) + (order_of(draft.first).move_samples or 0)
        if draft.frames + head < 1:
            notes.append(
                f"{draft.first.path} stays: moved by {head} samples nothing is left of it."
            )
            results.append(draft)
        else:
            moved = _moved(draft, offsets.get(draft.key, 0), evidence, operations)
            results.append(_with_common_start(moved, timed))
    return Aligned(drafts=tuple(results), notes=tuple(notes))


def _offset(draft: Draft, common_start_s: Fraction) -> int:
    exact = (start_s(draft) - common_start_s) * draft.form.sample_rate_hz
    return math.floor(exact + Fraction(1, 2))


def _left_in_place(drafts: Sequence[Draft], timed: Sequence[Draft]) -> list[str]:
    said = {draft.key for draft in timed}
    unsaid = [
        d.first.path for d in drafts if d.key not in said and not order_of(d.first).is_from_start
    ]
    if not unsaid:
        return []
    return [f"No time reference says where these begin, so they stay: {', '.join(unsaid)}."]


def _with_common_start(draft: Draft, timed: Sequence[Draft]) -> Draft:
    """A file that was placed from the song's start begins there, and may say so."""
    if not timed or not order_of(draft.first).is_from_start:
        return draft
    start = min(map(start_s, timed)) * draft.form.sample_rate_hz
    return replace(draft, start_samples=math.floor(start + Fraction(1, 2)))


def _moved(draft: Draft, offset: int, evidence: str, operations: Operations) -> Draft:
    """Place one file: its offset from the common start, then the shift a person ordered.

    Two steps, so that what was read from time references and what was ordered stand apart.
    """
    order = order_of(draft.first)
    ordered = order.move_samples or 0
    if offset + ordered == 0:
        return _confirmed(draft, order)
    if offset and draft.frames + offset < 1:
        return _shifted(draft, offset + ordered, offset, "moved on the timeline", evidence)
    placed = draft
    if offset:
        reason = "all files of the song begin together"
        placed = _shifted(draft, offset, offset, reason, evidence)
    if ordered:
        why = order.move_reason or f"moved by {ordered} samples as ordered in the session sheet"
        placed = _shifted(placed, ordered, 0, "moved on the timeline", why)
    if -(offset + ordered) > draft.leading and not draft.is_silent:
        placed = _faded(placed, operations)
    return placed if order.is_from_start else _with_old_end(placed, ordered)


def _confirmed(draft: Draft, order: WorkOrder) -> Draft:
    """A file that lies right from its first sample, though its time reference did not say so."""
    if not order.is_from_start or not order.move_reason:
        return draft
    reason = "no sample is moved; it gets the time reference of the common start"
    return _shifted(draft, 0, 0, reason, order.move_reason)


def _shifted(draft: Draft, head: int, offset: int, reason: str, evidence: str) -> Draft:
    """So many samples of silence in front, or so many taken away there.

    offset: how much of it the time reference follows; it stays where a person moves the sound.
    """
    frames = draft.frames + head
    start = draft.start_samples
    return with_step(
        replace(
            draft,
            frames=frames,
            start_samples=None if start is None else max(0, start - offset),
            leading=frames if draft.is_silent else max(0, draft.leading + head),
            trailing=min(frames, draft.trailing),
        ),
        "place",
        reason=reason,
        evidence=evidence,
        head_samples=head,
    )


def _faded(draft: Draft, operations: Operations) -> Draft:
    samples = samples_from_seconds(operations.edge_fade_ms / 1000, draft.form.sample_rate_hz)
    if samples == 0:
        return draft
    return with_step(
        replace(draft, is_computed=True),
        "edge-fade",
        reason="the cut at its head meets sound",
        head_samples=samples,
        tail_samples=0,
    )


def _with_old_end(draft: Draft, ordered: int) -> Draft:
    """Give a file that a person moved the end it had, unless that would cut sound."""
    if ordered < 0:
        return _with_tail(draft, -ordered, "the file ends where it did")
    if 0 < ordered <= draft.trailing and ordered < draft.frames:
        shorter = replace(draft, frames=draft.frames - ordered, trailing=draft.trailing - ordered)
        return with_step(
            shorter,
            "trim",
            reason="the file ends where it did; only silence is cut",
            head_samples=0,
            tail_samples=ordered,
        )
    return draft


def _with_tail(draft: Draft, samples: int, reason: str, evidence: str = "") -> Draft:
    longer = replace(
        draft,
        frames=draft.frames + samples,
        trailing=draft.trailing + samples,
        leading=draft.leading + samples if draft.is_silent else draft.leading,
    )
    return with_step(
        longer, "pad", reason=reason, evidence=evidence, head_samples=0, tail_samples=samples
    )


def _trimmed(
    drafts: Sequence[Draft], operations: Operations, *, has_unworkable: bool, is_head_kept: bool
) -> tuple[int, Aligned]:
    """What is cut at the head of every file, and the drafts after it."""
    sounding = [draft for draft in drafts if not draft.is_silent]
    if not operations.is_trimmed or not sounding:
        return 0, Aligned(drafts=tuple(drafts))
    obstacle = _trim_obstacle(drafts, operations, has_unworkable=has_unworkable)
    if obstacle:
        return 0, Aligned(drafts=tuple(drafts), notes=(f"Nothing was trimmed: {obstacle}.",))
    rate_hz = drafts[0].form.sample_rate_hz
    first = min(draft.leading for draft in sounding)
    last = max(draft.frames - draft.trailing for draft in sounding)
    head = max(0, first - samples_from_seconds(operations.trim_head_s, rate_hz))
    head = 0 if is_head_kept else min(head, min(draft.frames for draft in drafts) - 1)
    end = last + samples_from_seconds(operations.trim_tail_s, rate_hz)
    sound = f"{clock_from_samples(first, rate_hz)} to {clock_from_samples(last, rate_hz)}"
    evidence = f"sound from {sound}, silent below {operations.trim_threshold_dbfs:.1f} dBFS"
    cut = tuple(_cut(draft, head, end, evidence) for draft in drafts)
    return head, Aligned(drafts=cut)


def _trim_obstacle(drafts: Sequence[Draft], operations: Operations, *, has_unworkable: bool) -> str:
    if has_unworkable:
        return "the song holds files that can only be copied"
    if len({draft.form.sample_rate_hz for draft in drafts}) > 1:
        return "the files of the song run at more than one rate"
    if not have_one_start(drafts):
        return "the files of the song do not begin together by their time references"
    loudest_dbfs = max(silence_dbfs(draft) for draft in drafts)
    if loudest_dbfs > operations.trim_threshold_dbfs:
        return (
            f"silence was measured below {loudest_dbfs:.1f} dBFS, "
            f"the trim asks for {operations.trim_threshold_dbfs:.1f} dBFS"
        )
    return ""


def _cut(draft: Draft, head: int, end: int, evidence: str) -> Draft:
    tail = max(0, draft.frames - end)
    if head == 0 and tail == 0:
        return draft
    start = draft.start_samples
    frames = draft.frames - head - tail
    shorter = replace(
        draft,
        frames=frames,
        start_samples=None if start is None else start + head,
        leading=frames if draft.is_silent else draft.leading - head,
        trailing=frames if draft.is_silent else max(0, draft.trailing - tail),
    )
    return with_step(
        shorter,
        "trim",
        reason="silent in every file of the song",
        evidence=evidence,
        head_samples=head,
        tail_samples=tail,
    )


def _padded(drafts: Sequence[Draft], operations: Operations) -> Aligned:
    if not operations.is_equal_length or not drafts:
        return Aligned(drafts=tuple(drafts))
    if not have_one_start(drafts):
        return Aligned(
            drafts=tuple(drafts),
            notes=("Nothing was padded: the files of the song do not begin together.",),
        )
    firm = [draft for draft in drafts if draft.role not in LOOSE_ROLES] or drafts
    longest = max(firm, key=lambda d: Fraction(d.frames, d.form.sample_rate_hz))
    length_s = Fraction(longest.frames, longest.form.sample_rate_hz)
    results = []
    for draft in drafts:
        missing = math.ceil(length_s * draft.form.sample_rate_hz) - draft.frames
        if missing > 0:
            draft = _with_tail(  # noqa: PLW2901
                draft,
                missing,
                "all files of the song end together",
                f"the longest is {longest.first.path}",
            )
        results.append(draft)
    return Aligned(drafts=tuple(results))
