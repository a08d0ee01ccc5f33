"""The stretch of time in which something helps most: a best interval of a running sum."""

from __future__ import annotations

import numpy as np

from stemprep.summing.parts import Planar


class BestSpan:
    """Finds [start, end) with the largest sum of values that come in blocks, in one pass.

    Kadane's algorithm on cumulative sums (Bentley, Communications of the ACM 27, 1984).
    """

    def __init__(self) -> None:
        self.total = 0.0
        self.best = 0.0
        self.span = (0, 0)
        self._lowest = 0.0
        self._lowest_at = 0

    def add(self, start: int, values: Planar) -> None:
        """Take the values of samples from ``start`` on; blocks come in order, gaps count 0."""
        if not values.size:
            return
        after = self.total + np.cumsum(values)
        before = np.concatenate(([self.total], after[:-1]))
        lowest = np.minimum.accumulate(np.concatenate(([self._lowest], before)))[1:]
        gains = after - lowest
        last = int(np.argmax(gains))
        if gains[last] > self.best:
            self.best = float(gains[last])
            self.span = (self._start_of(before, last, start), start + last + 1)
        if before.min() < self._lowest:
            self._lowest_at = start + int(np.argmin(before))
            self._lowest = float(before.min())
        self.total = float(after[-1])

    def _start_of(self, before: Planar, last: int, start: int) -> int:
        place = int(np.argmin(before[: last + 1]))
        return start + place if before[place] < self._lowest else self._lowest_at
