"""Seeded sets of stems and a mix with known faults, as the null test takes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from stemprep.null_test import SumSet, set_of_arrays
from tests.null_test.buses import NOBODY, bus, summed
from tests.null_test.faults import FAULTS, NEAR_FLOOR, Plan, Planted, plant
from tests.null_test.music import Planar, source

SINGLE = (*FAULTS, *NEAR_FLOOR)
__all__ = ["FAULTS", "NEAR_FLOOR", "NOBODY", "SINGLE", "Case", "Planar", "Planted", "case"]


@dataclass
class Case:
    """A set with what is wrong in it; ``delivered`` and ``mix`` are quantised."""

    rate_hz: int
    bits: int
    delivered: list[Planar]
    mix: Planar
    planted: list[Planted] = field(default_factory=list)
    what: str = "clean"

    @property
    def parts(self) -> SumSet:
        """As the test takes it; float32 where that is exact."""
        step = 0.0 if self.bits == 32 else 2.0 ** (1 - self.bits)
        return set_of_arrays(
            self.mix.astype(np.float32),
            [stem.astype(np.float32) for stem in self.delivered],
            self.rate_hz,
            step,
            [f"stem{index}" for index in range(len(self.delivered))],
        )


SHORTENINGS = ("rounded", "floored", "towards-zero", "tpdf")
"""The ways in which a word loses its last bits."""


def shortened(samples: Planar, bits: int, generator: np.random.Generator, way: str) -> Planar:
    """Samples in words of so many bits; 32: float32, whatever the way."""
    if bits == 32:
        return samples.astype(np.float32).astype(np.float64)
    step = 2.0 ** (1 - bits)
    codes = samples / step
    if way == "tpdf":
        codes = codes + generator.random(samples.shape) - generator.random(samples.shape)
    shorten = {"floored": np.floor, "towards-zero": np.trunc}.get(way, np.rint)
    return np.clip(shorten(codes) * step, -1.0, 1.0 - step)


def quantised(
    samples: Planar, bits: int, generator: np.random.Generator, *, dithered: bool
) -> Planar:
    """Rounded to the word length, with TPDF dither where ordered; 32: to float32."""
    return shortened(samples, bits, generator, "tpdf" if dithered else "rounded")


def total(stems: Sequence[Planar]) -> Planar:
    """Sum in stereo; mono stems go equally to both sides."""
    return summed(stems)


def case(
    seed: int, what: str, seconds: float = 5.0, most: int = 24, *, with_sessions: bool = True
) -> Case:
    """A set with the fault ``what``: one of SINGLE or NOBODY, ``missing``, or two joined by +.

    ``level:floored``: in integer words that were shortened in this of the four ways.
    """
    generator = np.random.default_rng([seed, *map(ord, what)])
    what, _, ordered = what.partition(":")
    rate_hz, stems = source(generator, seconds, most, with_sessions=with_sessions)
    bits = int(generator.choice((16, 24, 32), p=(0.2, 0.55, 0.25)))
    peak = np.abs(total(stems)).max()
    stems = [stem * (0.5 / max(peak, 1e-9)) for stem in stems]
    way = "tpdf" if generator.random() < 0.5 else "rounded"
    if ordered:
        way, bits = ordered, min(bits, 24)
    plan = Plan(list(stems), list(stems), rate_hz, bits)
    for kind in () if what in NOBODY else what.split("+"):
        plant(generator, kind, plan)
    mix = total(plan.in_mix)
    if what in NOBODY:
        mix = bus(generator, what, mix, plan.in_mix, rate_hz)
    delivered = [stem for index, stem in enumerate(plan.delivered) if index not in plan.missing]
    return Case(
        rate_hz=rate_hz,
        bits=bits,
        delivered=[shortened(stem, bits, generator, way) for stem in delivered],
        mix=shortened(mix, bits, generator, way),
        planted=[_without(each, plan.missing) for each in plan.planted],
        what=what,
    )


def _without(each: Planted, missing: Sequence[int]) -> Planted:
    return replace(each, stem=each.stem - sum(index < each.stem for index in missing))
