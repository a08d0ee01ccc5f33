"""Streaming passes over mix and stems: what is left of the mix when the stems are taken away."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stemprep.null_test.limits import Floor
from stemprep.null_test.model import Model, known_mask
from stemprep.null_test.parts import Planar, SumSet, routed, unity

BLOCK = 65_536
MAX_CELLS = 16_384
_MAX_STRETCHES = 1 << 19
SHORT = 256
"""Frames of the shortest stretch for which the gain of the mix bus is looked at (3 to 6 ms)."""


@dataclass(frozen=True, slots=True)
class Cells:
    """The residual in equal stretches of ``frames`` samples; the last may be shorter.

    counts: samples that were judged, all channels; power: sum of their squares; peak: highest
    absolute value; sums: of the samples, shape (channels, cells).
    """

    frames: int
    counts: Planar
    power: Planar
    peak: Planar
    sums: Planar

    @property
    def rms(self) -> float:
        """RMS over all channels and samples that were judged."""
        return math.sqrt(math.fsum(self.power) / max(float(self.counts.sum()), 1.0))

    @property
    def highest(self) -> float:
        """Peak over all."""
        return float(self.peak.max(initial=0.0))

    def outside(self, spans: Sequence[tuple[int, int]]) -> Cells:
        """The same with nothing in the cells that touch one of the spans, in samples."""
        judged = np.ones(len(self.power))
        for start, end in spans:
            judged[start // self.frames : -(-end // self.frames)] = 0.0
        return self.where(judged)

    def where(self, judged: Planar | npt.NDArray[np.bool_]) -> Cells:
        """The same with nothing in the cells that are not to be judged."""
        return Cells(
            self.frames,
            self.counts * judged,
            self.power * judged,
            self.peak * judged,
            self.sums * judged,
        )

    def is_within(self, floor: Floor) -> bool:
        """No more is left of the whole than the word lengths allow, floored ones among them."""
        if self.highest > floor.peak:
            return False
        counts = np.maximum(self.counts / len(self.sums), 1.0)
        offsets = np.clip(self.sums / counts, -floor.offset, floor.offset)
        of_offsets = float(np.sum((2 * self.sums - counts * offsets) * offsets))
        left = max(math.fsum(self.power) - of_offsets, 0.0)
        return math.sqrt(left / max(float(self.counts.sum()), 1.0)) <= floor.rms_limit


@dataclass(frozen=True, slots=True)
class Products:
    """Sums of products of sum S and mix M over stretches of ``frames`` samples, all channels."""

    frames: int
    sum_sum: Planar
    sum_mix: Planar
    mix_mix: Planar

    @property
    def gain(self) -> float:
        """Gain of least squares between sum and mix; 1 where the sum is silent."""
        energy = math.fsum(self.sum_sum)
        return math.fsum(self.sum_mix) / energy if energy > 0 else 1.0

    @property
    def power_after_gain(self) -> float:
        """Energy that this gain leaves."""
        energy = math.fsum(self.sum_sum)
        mix = math.fsum(self.mix_mix)
        return mix - math.fsum(self.sum_mix) ** 2 / energy if energy > 0 else mix


def cell_frames(frames: int) -> int:
    """Length of a cell: a power of two from 1,024 on, at most ``MAX_CELLS`` of them."""
    size = 1024
    while size * MAX_CELLS < frames:
        size *= 2
    return size


def _short(frames: int) -> int:
    """``SHORT``, or longer so that memory stays bounded; it divides every block."""
    size = SHORT
    while size * _MAX_STRETCHES < frames:
        size *= 2
    return size


class CellMeter:
    """Collects power and peak by cell from blocks that begin on a cell's edge."""

    def __init__(self, frames: int, channels: int) -> None:
        self.cell = cell_frames(frames)
        self._channels = channels
        count = -(-frames // self.cell)
        self._power, self._peak, self._counts = np.zeros(count), np.zeros(count), np.zeros(count)
        self._sums = np.zeros((channels, count))

    def add(self, start: int, residual: Planar, known: npt.NDArray[np.bool_] | None = None) -> None:
        """Take the residual of a block, shape (channels, frames); ``known``: what is judged."""
        length = residual.shape[1]
        edges = np.arange(0, length, self.cell)
        first = start // self.cell
        here = slice(first, first + len(edges))
        if known is None:
            self._counts[here] = np.minimum(self.cell, length - edges) * self._channels
        else:
            residual = residual * known
            self._counts[here] = np.add.reduceat(known, edges, dtype=np.float64) * self._channels
        magnitude = np.abs(residual).max(axis=0)
        self._peak[here] = np.maximum.reduceat(magnitude, edges)
        self._power[here] = np.add.reduceat(np.einsum("cn,cn->n", residual, residual), edges)
        self._sums[:, here] = np.add.reduceat(residual, edges, axis=1)

    def finish(self) -> Cells:
        """The cells of all blocks."""
        return Cells(self.cell, self._counts, self._power, self._peak, self._sums)


def blocks_of(frames: int) -> Iterator[tuple[int, int]]:
    """Start and end of each block of a pass."""
    size = max(BLOCK, cell_frames(frames))
    for start in range(0, frames, size):
        yield start, min(start + size, frames)


@dataclass(frozen=True, slots=True)
class PlainSum:
    """Mix minus sum, the products of both, and the highest absolute sample of the sum alone."""

    cells: Cells
    products: Products
    sum_peak: float


def plain_pass(parts: SumSet) -> PlainSum:
    """Sum the stems as they are, in float64, and compare the sum with the mix."""
    meter = CellMeter(parts.frames, parts.channels)
    short = _short(parts.frames)
    count = -(-parts.frames // short)
    products = Products(short, np.zeros(count), np.zeros(count), np.zeros(count))
    routes = [unity(parts.channels, stem.channels) for stem in parts.stems]
    sum_peak = 0.0
    with parts.open() as (mix_stream, *streams):
        for start, end in blocks_of(parts.frames):
            mix = mix_stream.take(start, end).astype(np.float64)
            total = np.zeros_like(mix)
            for stream, route in zip(streams, routes, strict=True):
                _add(total, stream.take(start, end), route)
            sum_peak = max(sum_peak, float(total.max()), -float(total.min()))
            _products(products, start, total, mix)
            mix -= total
            meter.add(start, mix)
    return PlainSum(meter.finish(), products, sum_peak)


def _add(total: Planar, samples: npt.NDArray[np.floating], route: Planar) -> None:
    if route.shape[0] == route.shape[1] or route.shape[1] == 1:  # ones: numpy spreads mono itself
        total += samples
    else:
        total += routed(route, samples)


def _products(products: Products, start: int, total: Planar, mix: Planar) -> None:
    edges = np.arange(0, total.shape[1], products.frames)
    first = start // products.frames
    here = slice(first, first + len(edges))
    for target, left, right in (
        (products.sum_sum, total, total),
        (products.sum_mix, total, mix),
        (products.mix_mix, mix, mix),
    ):
        target[here] = np.add.reduceat(np.einsum("cn,cn->n", left, right), edges)


def model_pass(parts: SumSet, model: Model) -> Cells:
    """Mix minus the stems as the model has them."""
    meter = CellMeter(parts.frames, parts.channels)
    unknown = model.unknown(parts.frames)
    for start, residual in residual_blocks(parts, model):
        meter.add(start, residual, known_mask(start, residual.shape[1], unknown))
    return meter.finish()


def residual_blocks(parts: SumSet, model: Model) -> Iterator[tuple[int, Planar]]:
    """Start and samples of mix minus model, block by block."""
    margins = [model.margin(index) for index in range(len(parts.stems))]
    with parts.open() as (mix_stream, *streams):
        for start, end in blocks_of(parts.frames):
            residual = mix_stream.take(start, end).astype(np.float64)
            for index, (stream, margin) in enumerate(zip(streams, margins, strict=True)):
                samples = stream.take(start - margin, end + margin)
                residual -= model.rendered(index, samples, start, margin)
            yield start, residual


@dataclass(frozen=True, slots=True)
class StemSound:
    """A changed stem as the mix has it by the model, as the file is, and changed throughout."""

    now: Planar
    plain: Planar
    changed: Planar


def sounding_blocks(
    parts: SumSet, model: Model
) -> Iterator[tuple[int, Planar, dict[int, StemSound]]]:
    """Start and samples of mix minus model, block by block, with the sound of changed stems."""
    wide = replace(model, changes=tuple(replace(each, span=None) for each in model.changes))
    plain = replace(model, changes=())
    with parts.open() as (mix_stream, *streams):
        for start, end in blocks_of(parts.frames):
            residual = mix_stream.take(start, end).astype(np.float64)
            sounds: dict[int, StemSound] = {}
            for stem, stream in enumerate(streams):
                margin = model.margin(stem)
                samples = stream.take(start - margin, end + margin)
                rendered = model.rendered(stem, samples, start, margin)
                residual -= rendered
                change = model.change_of(stem)
                if change is not None:
                    changed = rendered
                    if change.span is not None:
                        changed = wide.rendered(stem, samples, start, margin)
                    as_is = plain.rendered(stem, samples, start, margin)
                    sounds[stem] = StemSound(rendered, as_is, changed)
            yield start, residual, sounds
