"""The mix and its stems on one time axis: that of the mix, in samples from its first one."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

Planar = npt.NDArray[np.float64]
Stored = npt.NDArray[np.float32] | npt.NDArray[np.float64]


class Stream(Protocol):
    """One file's sound, read forward."""

    def take(self, start: int, end: int) -> Stored:
        """Samples [start, end) on the mix's axis, zeros outside the file; ``start`` only grows."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What the test has to know of one file besides its samples.

    step:   one least significant bit, full scale = 1.0; 0 for floating point.
    offset: sample of the mix's axis at which the file begins.
    peak, rms: of the whole file, full scale = 1.0.
    is_exact_in_float32: no sample needs more than 24 significant bits.
    """

    name: str
    channels: int
    frames: int
    step: float
    offset: int = 0
    peak: float = 1.0
    rms: float = 0.1
    is_exact_in_float32: bool = True


Open = Callable[[], AbstractContextManager[Sequence[Stream]]]


def unlimited(_: float) -> None:
    """Work is not counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SumSet:
    """A mix and the stems that are said to add up to it.

    open:  gives one stream a file, the mix first; may be called again for another pass.
    spend: told of every other work, in samples; may raise to end it.
    """

    mix: Part
    stems: tuple[Part, ...]
    rate_hz: int
    open: Open
    spend: Callable[[float], None] = unlimited

    @property
    def frames(self) -> int:
        """Samples of the mix: what is compared."""
        return self.mix.frames

    @property
    def channels(self) -> int:
        """Channels of the mix."""
        return self.mix.channels


def unity(mix_channels: int, channels: int) -> Planar:
    """How a stem goes into the mix by default, shape (mix channels, its channels).

    The same number of channels: one to one; a mono stem: equally into every channel; into a mono
    mix: the mean of its channels.
    """
    if channels == mix_channels:
        return np.eye(channels)
    if channels == 1:
        return np.ones((mix_channels, 1))
    return np.full((1, channels), 1.0 / channels)


def can_be_summed(mix_channels: int, channels: int) -> bool:
    """Tell whether ``unity`` knows a way."""
    return channels in (mix_channels, 1) or mix_channels == 1


def routed(matrix: Planar, samples: Stored) -> Planar:
    """Apply a channel matrix to planar samples, float64; the trivial ones without a product."""
    rows, columns = matrix.shape
    if rows == columns and np.array_equal(matrix, np.eye(rows)):
        return samples.astype(np.float64)
    if columns == 1:
        return np.asarray(matrix * samples)
    return np.asarray(matrix @ samples.astype(np.float64))


class ArrayStream:
    """A stream over an array in memory, shape (channels, frames)."""

    def __init__(self, samples: Stored, offset: int = 0) -> None:
        self._samples, self._offset = samples, offset

    def take(self, start: int, end: int) -> Stored:
        """See ``Stream``."""
        first, last = start - self._offset, end - self._offset
        frames = self._samples.shape[1]
        low, high = min(max(first, 0), frames), min(max(last, 0), frames)
        inside = self._samples[:, low:high]
        if high - low == end - start:
            return inside
        padded = np.zeros((self._samples.shape[0], end - start), self._samples.dtype)
        if high > low:
            padded[:, low - first : high - first] = inside
        return padded


class BlockStream:
    """A stream over blocks that come in order; holds no more than one request and one block."""

    def __init__(self, blocks: Iterator[Stored], channels: int, offset: int = 0) -> None:
        self._blocks, self._channels = blocks, channels
        self._held: list[tuple[int, Stored]] = []
        self._next = offset

    def take(self, start: int, end: int) -> Stored:
        """See ``Stream``."""
        while self._next < end:
            block = next(self._blocks, None)
            if block is None:
                break
            if self._next + block.shape[1] > start:
                self._held.append((self._next, block))
            self._next += block.shape[1]
        self._held = [held for held in self._held if held[0] + held[1].shape[1] > start]
        if len(self._held) == 1:
            first, block = self._held[0]
            if first <= start and first + block.shape[1] >= end:
                return block[:, start - first : end - first]
        return self._joined(start, end)

    def _joined(self, start: int, end: int) -> Stored:
        kind = self._held[0][1].dtype if self._held else np.dtype(np.float32)
        joined = np.zeros((self._channels, end - start), kind)
        for first, block in self._held:
            low, high = max(first, start), min(first + block.shape[1], end)
            if high > low:
                joined[:, low - start : high - start] = block[:, low - first : high - first]
        return joined


def set_of_arrays(
    mix: Stored, stems: Sequence[Stored], rate_hz: int, step: float, names: Sequence[str] = ()
) -> SumSet:
    """A set whose sound is in memory, all of one word length (``step`` 0: floating point)."""

    def part(name: str, samples: Stored) -> Part:
        return Part(
            name=name,
            channels=samples.shape[0],
            frames=samples.shape[1],
            step=step,
            peak=float(np.abs(samples).max(initial=0.0)),
            rms=float(np.sqrt(np.mean(np.square(samples, dtype=np.float64)))),
            is_exact_in_float32=samples.dtype == np.float32 or step >= 2.0**-23,
        )

    @contextmanager
    def opened() -> Iterator[Sequence[Stream]]:
        yield [ArrayStream(mix), *map(ArrayStream, stems)]

    called = names or [f"stem {number}" for number in range(1, len(stems) + 1)]
    return SumSet(
        mix=part("mix", mix),
        stems=tuple(part(*pair) for pair in zip(called, stems, strict=True)),
        rate_hz=rate_hz,
        open=opened,
    )


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
