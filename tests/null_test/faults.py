"""Known faults put into one stem of a set: what is delivered, what the mix has of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from tests.null_test.music import Planar

FAULTS = (
    "level", "moved", "subsample", "inverted", "not-in-mix", "swapped", "balance", "section",
    "section-moved", "section-muted", "hole", "cut-short",
)  # fmt: skip
NEAR_FLOOR = tuple(f"{kind}@{over}" for kind in (*FAULTS, "fine-level") for over in (20, 40))

_AUDIBLE = 10 ** (-50 / 20)
_HEARD = 10 ** (-60 / 20)


@dataclass(frozen=True)
class Planted:
    """One fault that was put in; the figures by which it has to be told.

    kind: that of the cause that has to be told; span: samples of the delivered file.
    edges_heard: (start, end): the stem is above -60 dBFS there, 10 ms either side.
    """

    kind: str
    stem: int
    gain_db: float | None = None
    lag: float | None = None
    span: tuple[int, int] | None = None
    channel_gains: tuple[float, ...] = ()
    is_swapped: bool = False
    edges_heard: tuple[bool, bool] = (True, True)


@dataclass
class Plan:
    """A set before quantising: the files, and what the mix has of each."""

    delivered: list[Planar]
    in_mix: list[Planar]
    rate_hz: int
    bits: int
    planted: list[Planted] = field(default_factory=list)
    missing: list[int] = field(default_factory=list)

    @property
    def taken(self) -> set[int]:
        """Stems that already have a fault."""
        return {*(each.stem for each in self.planted), *self.missing}


def plant(generator: np.random.Generator, what: str, plan: Plan) -> None:
    """Put in one fault; ``kind@20``: so small that it leaves 20 dB over theory."""
    kind, _, over = what.partition("@")
    stem = _choose(generator, plan, wants_stereo=kind == "swapped")
    if stem in plan.taken:
        return
    if kind == "swapped" and not _is_wide(plan.in_mix[stem]):
        kind = "balance"
    if kind == "missing":
        plan.missing.append(stem)
        return
    if kind == "fine-level":
        _plant_fine_level(plan, stem, float(over))
        return
    planted = _put_in(generator, kind, plan, stem)
    if over:
        _made_quiet(plan, stem, float(over))
    plan.planted.append(_with_edges(planted, plan))


def _put_in(generator: np.random.Generator, kind: str, plan: Plan, stem: int) -> Planted:
    sound = plan.in_mix[stem]
    if kind in ("moved", "subsample"):
        lag = _lag(generator, is_whole=kind == "moved")
        plan.delivered[stem] = shifted(sound, lag, generator)
        return Planted("moved", stem, lag=lag)
    if kind == "inverted":
        plan.delivered[stem] = -sound
        return Planted("inverted", stem)
    if kind == "not-in-mix":
        plan.in_mix[stem] = np.zeros_like(sound)
        return Planted("not-in-mix", stem)
    if kind == "swapped":
        plan.delivered[stem] = sound[::-1].copy()
        return Planted("pan", stem, is_swapped=True)
    if kind == "balance":
        gains = 10 ** (generator.uniform(-6, 3, 2) / 20)
        plan.in_mix[stem] = sound * gains[:, None]
        return Planted("pan", stem, channel_gains=tuple(gains))
    if kind == "level":
        gain_db = _gain_db(generator, plan, sound)
        plan.delivered[stem] = sound * 10 ** (gain_db / 20)
        return Planted("level", stem, gain_db=gain_db)
    return _put_in_time(generator, kind, plan, stem)


def _put_in_time(generator: np.random.Generator, kind: str, plan: Plan, stem: int) -> Planted:
    sound = plan.delivered[stem].copy()
    heard = np.flatnonzero(np.abs(sound).max(axis=0) > _HEARD)
    frames, second = sound.shape[1], plan.rate_hz
    if kind == "cut-short":
        at = _near(generator, heard, second, frames - second // 2)
        sound[:, at:] = 0.0
        plan.delivered[stem] = sound
        return Planted("cut-short", stem, span=(at, frames))
    start = _near(generator, heard, second // 4, frames // 2)
    end = _near(generator, heard, start + second // 2, frames - second // 4)
    plan.delivered[stem] = sound
    if kind == "hole":
        sound[:, start:end] = 0.0
        return Planted("cut-short", stem, span=(start, end))
    if kind == "section-muted":
        muted = plan.in_mix[stem].copy()
        muted[:, start:end] = 0.0
        plan.in_mix[stem] = muted
        return Planted("not-in-mix", stem, span=(start, end))
    if kind == "section-moved":
        lag = _lag(generator, is_whole=True)
        sound[:, start:end] = shifted(sound, lag, generator)[:, start:end]
        return Planted("moved", stem, lag=lag, span=(start, end))
    gain_db = _gain_db(generator, plan, sound[:, start:end])
    sound[:, start:end] *= 10 ** (gain_db / 20)
    return Planted("level", stem, gain_db=gain_db, span=(start, end))


def _gain_db(generator: np.random.Generator, plan: Plan, sound: Planar) -> float:
    """0.05 to 6 dB either way; more where that would leave less than 6 dB over theory."""
    least_db = 20 * np.log10(1 + 2 * _floor(plan) / float(np.sqrt(np.square(sound).mean()) + 1e-12))
    gain_db = float(np.exp(generator.uniform(np.log(0.05), np.log(6))))
    return float(generator.choice((-1, 1))) * min(max(gain_db, least_db), 6.0)


def _lag(generator: np.random.Generator, *, is_whole: bool) -> float:
    """1 to 5,000 samples either way, or 0.05 to 5,000 with a broken part."""
    sign = float(generator.choice((-1, 1)))
    if is_whole:
        return sign * float(round(np.exp(generator.uniform(0, np.log(5000)))))
    lag = float(np.round(np.exp(generator.uniform(np.log(0.05), np.log(5000))), 3))
    return sign * (lag if 0.04 < lag % 1.0 < 0.96 else lag + 0.4)


def _plant_fine_level(plan: Plan, stem: int, over_db: float) -> None:
    """A loud stem whose level is off by next to nothing."""
    sound = plan.in_mix[stem]
    rms = float(np.sqrt(np.square(sound).mean()))
    gain_db = float(20 * np.log10(1 + _floor(plan) * 10 ** (over_db / 20) / rms))
    plan.delivered[stem] = sound * 10 ** (gain_db / 20)
    plan.planted.append(Planted("level", stem, gain_db=gain_db))


def _made_quiet(plan: Plan, stem: int, over_db: float) -> None:
    """Scale a stem with its fault so that this leaves so many dB over theory, never up."""
    delivered, wanted = np.broadcast_arrays(plan.delivered[stem], plan.in_mix[stem])
    left = float(np.sqrt(np.square(delivered - wanted).mean()))
    scale = min(_floor(plan) * 10 ** (over_db / 20) / max(left, 1e-12), 1.0)
    plan.delivered[stem] = plan.delivered[stem] * scale
    plan.in_mix[stem] = plan.in_mix[stem] * scale


def _floor(plan: Plan) -> float:
    """RMS of TPDF dither in all stems and the mix (float: as if of 24 bits)."""
    step = 2.0 ** (1 - (24 if plan.bits == 32 else plan.bits))
    return float(step / 2 * np.sqrt(len(plan.delivered) + 1))


def _with_edges(planted: Planted, plan: Plan) -> Planted:
    if planted.span is None:
        return planted
    start, end = planted.span
    both = np.concatenate((plan.delivered[planted.stem], plan.in_mix[planted.stem]))
    reach = plan.rate_hz // 100

    def is_heard(at: int) -> bool:
        near = both[:, max(at - reach, 0) : at + reach]
        return bool(np.sqrt(np.square(near).mean()) > _HEARD)

    return replace(planted, edges_heard=(is_heard(start), is_heard(end)))


def _choose(generator: np.random.Generator, plan: Plan, *, wants_stereo: bool) -> int:
    """A stem that is heard, without a fault so far, with two unlike sides where that matters."""
    loud = [_loudest(stem, plan.rate_hz) for stem in plan.in_mix]
    free = [index for index in range(len(loud)) if index not in plan.taken]
    heard = [index for index in free if loud[index] > _AUDIBLE]
    fitting = [index for index in heard if not wants_stereo or _is_wide(plan.in_mix[index])]
    chosen = fitting or heard or free or list(range(len(loud)))
    return int(generator.choice(chosen))


def _loudest(stem: Planar, rate_hz: int) -> float:
    """The highest level of 0.1 s."""
    size = rate_hz // 10
    count = stem.shape[1] // size
    pieces = stem[:, : count * size].reshape(len(stem), count, size)
    return float(np.sqrt(np.square(pieces).mean(axis=(0, 2))).max())


def _is_wide(stem: Planar) -> bool:
    if len(stem) < 2:
        return False
    side = np.sqrt(np.square(stem[0] - stem[1]).mean())
    return bool(side > 0.1 * np.sqrt(np.square(stem).mean()))


def _near(generator: np.random.Generator, heard: npt.NDArray[np.intp], low: int, end: int) -> int:
    """A sample between two others at which the stem is heard; the middle where it never is."""
    inside = heard[(heard >= low) & (heard < end)]
    return int(generator.choice(inside)) if len(inside) else (low + end) // 2


_KERNELS: Sequence[tuple[int, float]] = ((24, 7.0), (32, 8.0), (64, 9.0), (256, 12.0))
"""Half lengths and Kaiser betas, from quick to studio quality (common practice, no source)."""


def shifted(samples: Planar, lag: float, generator: np.random.Generator) -> Planar:
    """``samples(t - lag)``: late by lag; what leaves the file is lost. Kaiser sinc if broken."""
    whole = int(np.floor(lag + 0.5))
    rest = lag - whole
    out = np.zeros_like(samples)
    if whole >= 0:
        out[:, whole:] = samples[:, : samples.shape[1] - whole]
    else:
        out[:, :whole] = samples[:, -whole:]
    if rest:
        half, beta = _KERNELS[int(generator.integers(len(_KERNELS)))]
        taps = np.arange(-half, half + 1)
        kernel = np.sinc(taps - rest) * np.kaiser(2 * half + 1, beta)
        out = np.stack([np.convolve(channel, kernel, mode="same") for channel in out])
    return out
