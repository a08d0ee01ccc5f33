"""How the stems are thought to stand in the mix: as they are, but for a few changes."""

from __future__ import annotations

import functools
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from stemprep.null_test.parts import Planar, Stored, SumSet, routed, unity

REACH = 2048
"""Samples beside a stretch that a broken lag needs; they are faded out, so that the ends of the
stretch, which the transform takes for neighbours, leave nothing behind."""


def margin_for(lag: float) -> int:
    """Samples that a stretch must have on both sides to be moved by ``lag``."""
    whole = abs(round(lag))
    return whole if is_whole(lag) else whole + REACH


def is_whole(lag: float) -> bool:
    """Tell whether the lag is a whole number of samples."""
    return lag == round(lag)


def moved(samples: Stored, lag: float, margin: int, kernel: Planar | None = None) -> Planar:
    """``samples(t + lag)`` for the stretch inside the margins, along the last axis.

    The margin must be ``margin_for(lag)`` at least. kernel: taps, the middle one at 0, by which
    another interpolator differs; only of a broken lag.
    """
    whole = round(lag)
    length = samples.shape[-1] - 2 * margin
    if is_whole(lag):
        return samples[..., margin + whole : margin + whole + length].astype(np.float64)
    return _turned(samples, whole, lag - whole, margin, length, kernel=kernel)[0]


def moved_with_slope(samples: Stored, lag: float, margin: int) -> tuple[Planar, Planar]:
    """The same, and its derivative by the lag, per sample."""
    whole = round(lag)
    length = samples.shape[-1] - 2 * margin
    value, slope = _turned(samples, whole, lag - whole, margin, length, slope=True)
    return value, slope


def _turned(
    samples: Stored,
    whole: int,
    rest: float,
    margin: int,
    length: int,
    *,
    slope: bool = False,
    kernel: Planar | None = None,
) -> tuple[Planar, Planar]:
    first = margin + whole - REACH
    piece = samples[..., first : first + length + 2 * REACH].astype(np.float64)
    fade = _fade()
    piece[..., :REACH] *= fade
    piece[..., -REACH:] *= fade[::-1]
    size = _good_size(piece.shape[-1])
    spectrum = np.fft.rfft(piece, size)
    omega = 2 * math.pi * np.arange(spectrum.shape[-1]) / size
    here = slice(REACH, REACH + length)
    spectrum *= np.exp(1j * omega * rest)
    if kernel is not None:
        spectrum *= response(kernel, size)
    value = np.fft.irfft(spectrum, size)[..., here]
    if not slope:
        return value, value
    spectrum *= 1j * omega
    return value, np.fft.irfft(spectrum, size)[..., here]


@functools.cache
def _fade() -> Planar:
    return 0.5 - 0.5 * np.cos(math.pi * (np.arange(REACH) + 0.5) / REACH)


def _good_size(length: int) -> int:
    """The next length of the form 2^a, 3 * 2^a or 5 * 2^a."""
    return min(
        factor << max(0, math.ceil(math.log2(length / factor))) for factor in (1, 3, 5, 9, 15)
    )


def response(kernel: Planar, size: int) -> npt.NDArray[np.complex128]:
    """Spectrum of centred taps for a real transform of ``size`` samples."""
    turned = np.zeros(size)
    half = len(kernel) // 2
    turned[: half + 1] = kernel[half:]
    turned[-half:] = kernel[:half]
    return np.fft.rfft(turned)


Form = Literal["as-is", "level", "swap", "balance", "matrix", "echo"]
FORM_FREEDOM: dict[Form, int] = {
    "as-is": 0,
    "swap": 0,
    "level": 1,
    "echo": 1,
    "balance": 2,
    "matrix": 4,
}


_EDGE = 32
_BROKEN_EDGE = 2048

Span = tuple[int, int]
Known = np.ndarray | None
"""True where a sample can be judged; None: everywhere."""


@dataclass(frozen=True, slots=True)
class Change:
    """What the mix has of one stem, other than the file as it is.

    form:   ``echo``: the stem as it is, and once more by ``matrix`` and ``lag``.
    matrix: (mix channels, stem channels), before the common gain.
    lag:    the mix has ``stem(t + lag)``: positive means that the file is late.
    span:   samples of the mix in which it holds; None: throughout.
    kernel: how the interpolator of whoever moved it by part of a sample differs from ours, as
            taps around 0; None: not at all.
    """

    stem: int
    form: Form
    matrix: Planar
    lag: float = 0.0
    span: Span | None = None
    kernel: Planar | None = None

    @property
    def is_moved(self) -> bool:
        """True when the stem stands elsewhere in time."""
        return self.lag != 0.0

    @property
    def freedom(self) -> int:
        """Numbers that had to be chosen to describe it."""
        moving = 0 if not self.is_moved else 1 if is_whole(self.lag) else 2
        return FORM_FREEDOM[self.form] + moving + (0 if self.span is None else 2)


@dataclass(frozen=True, slots=True)
class Cut:
    """A stem that lacks sound in a span where the mix goes on; the span cannot be judged.

    peak: how high the stem stands beside the span, at its lower edge.
    is_hard: it breaks off at its full height, at either edge.
    is_faint: it breaks off so quietly that another stem may as well set in there.
    """

    stem: int
    span: Span
    peak: float = 0.0
    is_hard: bool = False
    is_faint: bool = False


@dataclass(frozen=True, slots=True)
class Model:
    """Common gain, changes (at most one a stem) and cuts."""

    routes: tuple[Planar, ...]
    ranges: tuple[Span, ...]
    gain: float = 1.0
    changes: tuple[Change, ...] = ()
    cuts: tuple[Cut, ...] = ()

    def change_of(self, stem: int) -> Change | None:
        """The stem's change, if it has one."""
        return next((change for change in self.changes if change.stem == stem), None)

    def with_change(self, change: Change) -> Model:
        """Give the model with one more change, or another one of the same stem."""
        others = tuple(known for known in self.changes if known.stem != change.stem)
        return replace(self, changes=(*others, change))

    def without(self, stem: int) -> Model:
        """Give the model with the stem as it is."""
        return replace(self, changes=tuple(c for c in self.changes if c.stem != stem))

    def with_cut(self, cut: Cut) -> Model:
        """Give the model with one more cut."""
        return replace(self, cuts=(*self.cuts, cut))

    def margin(self, stem: int) -> int:
        """Samples around a stretch that rendering this stem needs."""
        change = self.change_of(stem)
        return 0 if change is None else margin_for(change.lag)

    def rendered(self, stem: int, samples: Stored, start: int, margin: int) -> Planar:
        """What the mix has of a stem from sample ``start`` on; samples have margins."""
        change = self.change_of(stem)
        length = samples.shape[-1] - 2 * margin
        plain = samples[..., margin : margin + length]
        if change is None:
            return self._scaled(routed(self.routes[stem], plain))
        first, last = (0, length) if change.span is None else (s - start for s in change.span)
        low, high = min(max(first, 0), length), min(max(last, 0), length)
        if low >= high:
            return self._scaled(routed(self.routes[stem], plain))
        changed = routed(change.matrix, moved(samples, change.lag, margin, change.kernel))
        if change.form == "echo":
            changed += routed(self.routes[stem], plain)
        if high - low == length:
            return self._scaled(changed)
        result = routed(self.routes[stem], plain)
        result[..., low:high] = changed[..., low:high]
        return self._scaled(result)

    def _scaled(self, samples: Planar) -> Planar:
        if self.gain != 1.0:
            samples *= self.gain
        return samples

    def unknown(self, frames: int, exact: Collection[int] = ()) -> tuple[Span, ...]:
        """Spans of the mix that cannot be judged: what moved files have lost, and cuts.

        exact: stems whose moved section is known to the sample; of others' edges all is left out
        that they may cover.
        """
        spans = [cut.span for cut in self.cuts]
        for change in self.changes:
            if not change.is_moved or change.form == "echo":
                continue
            begin, end = self.ranges[change.stem]
            edge = _EDGE if is_whole(change.lag) else _BROKEN_EDGE
            reach = int(abs(change.lag)) + 1 + edge
            if change.span is not None and change.stem in exact and is_whole(change.lag):
                spans.append(covered(change.span, round(change.lag)))
            elif change.span is not None:  # the moved section covers sound at one of its edges
                spans += [(place - reach, place + reach) for place in change.span]
            else:
                spans += [(begin - edge, begin + reach), (end - reach, end + edge)]
        clipped = ((max(low, 0), min(high, frames)) for low, high in spans)
        return tuple((low, high) for low, high in clipped if low < high)


def covered(span: Span, lag: int) -> Span:
    """What a section that holds the mix's sound ``lag`` samples late lacks of it, at one edge."""
    start, end = span
    return (max(start, end - lag), end) if lag > 0 else (start, min(end, start - lag))


def plain_model(parts: SumSet) -> Model:
    """Every stem as it is."""
    return Model(
        routes=tuple(unity(parts.channels, stem.channels) for stem in parts.stems),
        ranges=tuple((stem.offset, stem.offset + stem.frames) for stem in parts.stems),
    )


def swapped(route: Planar) -> Planar:
    """The routing with left and right exchanged; only for two channels in the mix."""
    return route[::-1].copy()


def can_be_swapped(route: Planar) -> bool:
    """Tell whether exchanging sides would change anything."""
    return route.shape == (2, 2)


def known_mask(start: int, length: int, unknown: Sequence[Span]) -> Known:
    """True where a stretch can be judged; None: everywhere."""
    mask = None
    for low, high in unknown:
        if high > start and low < start + length:
            mask = np.ones(length, dtype=bool) if mask is None else mask
            mask[max(low - start, 0) : max(high - start, 0)] = False
    return mask
