"""The last samples before the chunk at hand, for what can be judged only with both sides known."""

from __future__ import annotations

import numpy as np

from stemprep.dsp.cells import Chunk, Floats


class History:
    """The chunk at hand and up to ``frames`` samples before it.

    ``see`` a chunk, read windows, then ``keep``: a chunk's arrays are used again for the next.
    """

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._tail: Floats | None = None
        self._now: Floats | None = None
        self._now_start = 0

    @property
    def start(self) -> int:
        """First frame of the file that can still be read."""
        return self._now_start - (0 if self._tail is None else self._tail.shape[1])

    @property
    def end(self) -> int:
        """One past the last frame that can be read."""
        return self._now_start + (0 if self._now is None else self._now.shape[1])

    def see(self, chunk: Chunk) -> None:
        """Take a chunk as the one at hand."""
        self._now, self._now_start = chunk.valid, chunk.start

    def keep(self) -> None:
        """Copy what the next chunk needs of this one."""
        if self._now is None:
            return
        here = self._now[:, -self._frames :]
        room = self._frames - here.shape[1]
        if room and self._tail is not None:
            self._tail = np.concatenate([self._tail[:, -room:], here], axis=1)
        else:
            self._tail = here.copy()
        self._now_start, self._now = self.end, self._now[:, :0]

    def window(self, channel: int, start: int, end: int) -> Floats:
        """Samples ``start`` to ``end`` of one channel (from 0), shorter where they are not there.

        A view that is valid until the next chunk, or a copy where it lies across the border.
        """
        start, end = max(start, self.start), min(end, self.end)
        border = self._now_start
        none: Floats = np.zeros(0, dtype=np.float32)
        before = none
        if start < border and self._tail is not None:
            at = start - border + self._tail.shape[1]
            before = self._tail[channel, at : at + max(0, min(end, border) - start)]
        after = none
        if end > border and self._now is not None:
            after = self._now[channel, max(start - border, 0) : end - border]
        if not before.size:
            return after
        return before if not after.size else np.concatenate([before, after])

    def last(self, frames: int) -> Floats:
        """The last samples of all channels, (channels, at most frames)."""
        if self._now is None:
            return np.zeros((0, 0), dtype=np.float32)
        return np.stack(
            [self.window(line, self.end - frames, self.end) for line in range(len(self._now))]
        )
