"""The lowest octaves on their own, as means of 64 frames, in windows of an eighth of a second."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats

Means = npt.NDArray[np.float64]

# Four of them make the half second of the hum search (``measure/hum.py``).
WINDOW_S = 0.125
# Of a window, at rates so low that an eighth of a second holds fewer.
MIN_POINTS = 8
BATCH = 48  # windows at a time: fewer calls
# 44.1 kHz by 64 is 689: the fifth multiple of 60 Hz, 300 Hz, lies under half of it.
LOWEST_POINT_RATE_HZ = 680


def point_frames(rate_hz: int) -> int:
    """Frames of one mean: 64 at 44.1 and 48 kHz, more at higher rates, fewer at lower ones."""
    cells = 1
    while rate_hz >= 2 * cells * CELL_FRAMES * LOWEST_POINT_RATE_HZ and cells < CELL_FRAMES:
        cells *= 2
    return cells * CELL_FRAMES


def window_points(rate_hz: int) -> int:
    """Means in one window: the whole number nearest to an eighth of a second, at least 8."""
    return max(round(WINDOW_S * rate_hz / point_frames(rate_hz)), MIN_POINTS)


class Listener(Protocol):
    """Takes windows of means, shape (channels, windows, points), in file order."""

    def add(self, windows: Means) -> None:
        """Take the next of them."""


class LowBand:
    """Hands windows to its listeners, some at a time.

    Means are a low-pass that costs nothing here, since the picture needs sums of cells too: 750
    points a second at 48 kHz, 0.06 dB down at 50 Hz.
    """

    def __init__(self, rate_hz: int, *listeners: Listener) -> None:
        self._frames = point_frames(rate_hz)
        self._points = window_points(rate_hz)
        self._listeners = listeners
        self._held: list[Floats] = []
        self._frames_held = 0
        self._rest: Means | None = None
        self._before: Means | None = None

    def add(self, chunk: Chunk) -> None:
        """Keep the sums of one chunk's whole points; chunks are that, but for the last."""
        whole = chunk.frames // self._frames * self._frames
        self._held.append(chunk.sums[:, : whole // CELL_FRAMES])
        self._frames_held += whole
        if self._frames_held >= BATCH * self._points * self._frames:
            self._hand_on()

    def finish(self) -> None:
        """Hand on the rest, and the window that ends with the last whole point."""
        if self._frames_held:
            self._hand_on()
        if self._before is None or self._rest is None or not self._rest.shape[1]:
            return
        joined = np.concatenate([self._before, self._rest], axis=1)
        self._give(joined[:, None, -self._points :])

    def _hand_on(self) -> None:
        means = self._means(np.concatenate(self._held, axis=1))
        joined = means if self._rest is None else np.concatenate([self._rest, means], axis=1)
        count = joined.shape[1] // self._points
        done = count * self._points
        self._held, self._frames_held = [], 0
        self._rest = joined[:, done:]
        if count:
            self._before = joined[:, done - self._points : done]
            self._give(joined[:, :done].reshape(len(joined), count, self._points))

    def _means(self, sums: Floats) -> Means:
        width = self._frames
        while width > CELL_FRAMES:
            sums = sums[:, ::2] + sums[:, 1::2]
            width //= 2
        return sums.astype(np.float64) / self._frames

    def _give(self, windows: Means) -> None:
        for listener in self._listeners:
            listener.add(windows)
