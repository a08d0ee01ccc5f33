"""One drop under watch: from the first look until it is whole, and again after a change."""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from stemprep.service.inbox.tree_snapshot import Look, Top, fingerprint, look_at, sample, top_of
from stemprep.service.inbox.unreadable import closed_words

LOOKS_PER_SETTLING = 4
SHORTEST_PACE_S, LONGEST_PACE_S = 0.05, 5.0
LONGEST_HELD_PACE_S = 60.0
REST_PER_LOOK = 10.0  # a look at a huge tree is followed by ten times as long without one
MARKED_SETTLE_S = 2.0  # copying programs may bring the marker before the last files
EMPTY_SETTLINGS = 4.0  # a file of 0 bytes is mostly one whose writing has not begun
REPORT_AFTER_SETTLINGS, REPORT_AFTER_S = 10.0, 60.0
RESTLESS_S = 6 * 3600.0

_CLOSED_LOOK = Look(
    stillness=b"closed",
    identity=b"closed",
    files=0,
    size_bytes=0,
    unfinished="",
    is_marked=False,
    is_empty=False,
)
"""What stands for the look at a drop that cannot be looked into."""

State = Literal["moving", "still", "whole", "gone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """settle_s, ready_marker: as the inbox has them."""

    settle_s: float
    ready_marker: str | None = None


@dataclass(frozen=True, slots=True)
class Hindrance:
    """Why a drop is not taken, in words; detail: names of files in it, which a log may not tell.

    is_closed:  it cannot be looked into, so that nothing else is known of it.
    is_lasting: that has been so for longer than a copy takes to open what it makes.
    is_other:   it is known to be another than the one before of its name.
    """

    reason: str
    detail: str = ""
    is_closed: bool = False
    is_lasting: bool = False
    is_other: bool = False


OPENED = Hindrance("")
"""Told once when a drop that was closed can be looked into."""
_RESTLESS = Hindrance("it has not kept still for 6 hours; is something still writing into it?")


@dataclass(slots=True)
class Watched:
    """What is known of one drop; all times are seconds of the caller's monotonic clock.

    given:     fingerprint with which the drop was last given out as ready; "" before that.
    hindrance: why a still drop is not ready; None where nothing but time is missing.
    is_told:   whether the hindrance was told.
    is_other:  known to be another than the last of its name, and that is still to be told.
    """

    path: Path
    look: Look
    first_seen_s: float
    still_since_s: float
    due_s: float
    given: str = ""
    is_settled: bool = False
    hindrance: Hindrance | None = None
    is_reported: bool = False
    is_other: bool = False
    look_cost_s: float = 0.0
    _top: Top = (0, 0, 0)
    _reported_closed: Hindrance | None = None
    _early_sample: bytes | None = field(default=None)

    @classmethod
    def first(cls, path: Path, now_s: float, patience: Patience) -> Watched | None:
        """Look for the first time; None where nothing is there any more."""
        begun_s = time.perf_counter()
        hindrance: Hindrance | None = None
        top: Top | None
        try:
            look, top = look_at(path, patience.ready_marker), top_of(path)
        except FileNotFoundError:
            return None
        except OSError as error:
            hindrance, top = _closed(path, error)
            look = _CLOSED_LOOK
        if look is None or top is None:
            return None
        watched = cls(path, look, now_s, now_s, now_s, hindrance=hindrance, _top=top)
        watched.look_cost_s = time.perf_counter() - begun_s
        watched._plan_next(now_s, patience)
        return watched

    def look_again(self, now_s: float, patience: Patience, *, beside: str = "") -> State:
        """Look once more; ``still``: only a file open for writing can keep it from being ready.

        beside: name of an unfinished transfer beside a bare file; "" where there is none.
        """
        begun_s = time.perf_counter()
        try:
            state = self._compare(now_s, patience, beside)
        except FileNotFoundError:
            state = "gone"
        except OSError as error:
            state = self._close(now_s, error)
        self.look_cost_s = time.perf_counter() - begun_s
        self._plan_next(now_s, patience)
        return state

    def is_still_now(self, now_s: float, patience: Patience) -> bool:
        """Look a last time, after the question who writes: a writer may have ended in between."""
        try:
            seen = look_at(self.path, patience.ready_marker)
        except OSError:
            seen = None
        if seen is not None and seen.stillness == self.look.stillness:
            return True
        self._restart(now_s, self.look if seen is None else seen)
        self._plan_next(now_s, patience)
        return False

    def give(self) -> str | None:
        """Return the fingerprint of a still drop; None where it was given out as it is."""
        assert self._early_sample is not None
        with suppress(OSError):
            self._top = top_of(self.path)
        found = fingerprint(self.look.identity, self._early_sample)
        self.is_settled, self.hindrance, self.is_reported = True, None, False
        self.is_other = False
        self._early_sample = None
        is_new = found != self.given
        self.given = found
        return found if is_new else None

    def news(self, now_s: float, patience: Patience) -> Hindrance | None:
        """Return what to tell about a drop that is kept back, each time once.

        That it is closed is told at once, and again when that lasts; then that it is not any more.
        """
        still_s = now_s - self.still_since_s
        is_long = still_s >= max(REPORT_AFTER_S, REPORT_AFTER_SETTLINGS * patience.settle_s)
        if self.hindrance is not None and self.hindrance.is_closed:
            return self._closed_news(self.hindrance, is_long=is_long)
        if self._reported_closed is not None:
            self._reported_closed, self.is_other = None, False
            return OPENED
        if self.is_reported or self.is_settled or self.look.is_empty:
            return None
        if self.hindrance is not None and is_long:
            self.is_reported = True
            return self.hindrance
        if self.hindrance is None and now_s - self.first_seen_s >= RESTLESS_S:
            self.is_reported = True
            return _RESTLESS
        return None

    def _closed_news(self, closed: Hindrance, *, is_long: bool) -> Hindrance | None:
        before = self._reported_closed
        is_known = before is not None and before.reason == closed.reason
        if before is not None and is_known and (before.is_lasting or not is_long):
            return None
        self._reported_closed = replace(closed, is_lasting=is_long, is_other=self.is_other)
        self.is_other = False
        return self._reported_closed

    def _close(self, now_s: float, error: OSError) -> State:
        """Note that nothing can be seen; once it can, the drop is given out again."""
        closed, top = _closed(self.path, error)
        if top is None:
            return "gone"
        if self.hindrance != closed or top != self._top:
            self.is_other |= top != self._top
            self._restart(now_s, _CLOSED_LOOK)
        self.hindrance, self._top, self.given = closed, top, ""
        return "moving"

    def _compare(self, now_s: float, patience: Patience, beside: str) -> State:
        seen = look_at(self.path, patience.ready_marker)
        if seen is None:
            return "gone"
        if seen.stillness != self.look.stillness:
            self._restart(now_s, seen)
            return "moving"
        self.look = seen
        if self.is_settled:
            return "whole"
        self.hindrance = self._hindrance(patience, beside)
        if self._early_sample is None:
            self._early_sample = sample(self.path)
            return "moving"
        if now_s - self.still_since_s < self._needed_s(patience):
            return "moving"
        if self.hindrance is not None or self.look.is_empty:
            return "moving"
        if sample(self.path) != self._early_sample:
            self._restart(now_s, seen)
            return "moving"
        return "still"

    def _restart(self, now_s: float, look: Look) -> None:
        self.look = look
        self.still_since_s = now_s
        self._early_sample = None
        self.is_settled, self.hindrance = False, None

    def _hindrance(self, patience: Patience, beside: str) -> Hindrance | None:
        if self.look.is_marked:
            return None
        if patience.ready_marker is not None:
            return Hindrance(
                "the ready marker that says it is complete is not there", patience.ready_marker
            )
        if unfinished := self.look.unfinished or beside:
            return Hindrance(
                "a transfer has not come to its end; finish it, or remove the part file", unfinished
            )
        return None

    def _needed_s(self, patience: Patience) -> float:
        if self.look.is_marked:
            return min(patience.settle_s, MARKED_SETTLE_S)
        return patience.settle_s * (1.0 if self.look.size_bytes else EMPTY_SETTLINGS)

    def _plan_next(self, now_s: float, patience: Patience) -> None:
        """Look often enough to see a pause end, and seldom where looking is dear or in vain."""
        pace_s = min(max(patience.settle_s / LOOKS_PER_SETTLING, SHORTEST_PACE_S), LONGEST_PACE_S)
        still_s = now_s - self.still_since_s
        left_s = self._needed_s(patience) - still_s
        if left_s > 0:
            pace_s = min(pace_s, max(left_s, SHORTEST_PACE_S))
        else:  # held back: it may take days
            pace_s = min(max(pace_s, still_s / 10), LONGEST_HELD_PACE_S)
        self.due_s = now_s + max(pace_s, REST_PER_LOOK * self.look_cost_s)


def _closed(path: Path, error: OSError) -> tuple[Hindrance, Top | None]:
    """What to tell of a drop that cannot be looked into, and its top; None where it is gone."""
    hindrance = Hindrance(closed_words(path, error), is_closed=True)
    try:
        return hindrance, top_of(path)
    except FileNotFoundError:
        return hindrance, None
    except OSError:
        return hindrance, (0, 0, 0)
