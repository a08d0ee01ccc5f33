"""Where files begin, as their time references say."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from stemprep.prepare.draft import Draft


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
