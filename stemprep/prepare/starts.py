"""Where files begin, as their time references say."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from stemprep.prepare.draft import Draft
from stemprep.prepare.reshape import order_of
from stemprep.units import time_of_day_from_samples


def stamped(drafts: Sequence[Draft]) -> tuple[Draft, ...]:
    """Those of them whose time reference says something: zero does not where others say more."""
    timed = [draft for draft in drafts if draft.start_samples is not None]
    is_zero_meant = not any(draft.start_samples for draft in timed)
    return tuple(draft for draft in timed if is_zero_meant or draft.start_samples)


def start_s(draft: Draft) -> Fraction:
    """Exact time reference of a stamped file, seconds."""
    return Fraction(draft.start_samples or 0, draft.form.sample_rate_hz)


def have_one_start(drafts: Sequence[Draft]) -> bool:
    """Tell whether the stamped files begin together, to within half a sample across rates."""
    timed = stamped(drafts)
    if not timed:
        return True
    starts = [start_s(draft) for draft in timed]
    slowest = min(draft.form.sample_rate_hz for draft in timed)
    is_one_rate = len({draft.form.sample_rate_hz for draft in timed}) == 1
    return max(starts) - min(starts) <= (0 if is_one_rate else Fraction(1, 2 * slowest))


def doubt_of_starts(timed: Sequence[Draft]) -> str:
    """In words, why the time references cannot be followed; "" where they can.

    A move ordered by a person, be it by 0 samples, confirms the file's time reference.
    """
    by_length: dict[Fraction, Draft] = {}
    for draft in timed:
        if order_of(draft.first).move_samples is not None:
            continue
        length_s = Fraction(draft.frames, draft.form.sample_rate_hz)
        other = by_length.setdefault(length_s, draft)
        if start_s(other) != start_s(draft):
            return (
                f"{other.first.path} and {draft.first.path} are equally long but start at "
                f"{_clock(other)} and {_clock(draft)} by their time references; either they belong "
                "together or they lie apart. Order move_samples in the session sheet (0: the time "
                "reference is right) for the one that lies apart, or export all over one range"
            )
    return _gap(sorted(timed, key=start_s))


def _gap(in_order: Sequence[Draft]) -> str:
    """Tell a file that begins after all others have ended: more likely it is stamped wrong."""
    end_s = Fraction(0)
    for index, draft in enumerate(in_order):
        if index and start_s(draft) > end_s:
            return (
                f"by its time reference {draft.first.path} starts at {_clock(draft)}, after all "
                "earlier files have ended; check its time reference and export it again"
            )
        end_s = max(end_s, start_s(draft) + Fraction(draft.frames, draft.form.sample_rate_hz))
    return ""


def _clock(draft: Draft) -> str:
    return time_of_day_from_samples(draft.start_samples or 0, draft.form.sample_rate_hz)
