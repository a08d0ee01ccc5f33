"""Which stems sound in a residual, and at which gain: one weighted regression over all of them.

Music's loud partials are few and shared, so a plain regression takes chance for kinship. Here every
band of every few frames weighs by the inverse of the power that nothing explains there (generalised
least squares, A. C. Aitken, 1935): what counts is the many bands in which a stem stands alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.null_test.excerpts import CELL, CELLS_A_WINDOW, MARGIN, WINDOW
from stemprep.null_test.fit import Bench, Fit
from stemprep.null_test.limits import NO_GAIN, SURE_GAIN
from stemprep.null_test.model import Model
from stemprep.null_test.parts import Planar, Stored

FRAME = 2 * CELL
_BANDS = np.unique(np.geomspace(4, FRAME // 2, 40).astype(int))
"""Edges in bins: from some 100 Hz on, each a fifth of an octave wide; narrower than an instrument's
range, and wide enough to average over."""
_GROUP = 8
"""Frames over which the unexplained power is averaged: 0.2 s."""
_ROUNDS = 3
_KINSHIP = 12.0
"""Bins of music are not independent (windows overlap, notes last): variances are so much larger."""
_ALONE = 1e-6
"""Two stems that differ by less of their power (60 dB below) cannot be told apart."""

Spectra = npt.NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class Presence:
    """How much of each stem the residual holds besides what the model has of it.

    gains: 0 where the stem stands in the mix as the model says, -1 where it is not there at all;
    errors: standard errors; large where the stem is silent.
    firsts: for each stem the first one that it cannot be told apart from, mostly itself; those
    share one gain.
    """

    gains: Planar
    errors: Planar
    firsts: tuple[int, ...]

    def is_clear(self, stem: int) -> bool:
        """The gain of this stem is known well enough to tell all of it from nothing."""
        return bool(self.errors[stem] < SURE_GAIN)

    def is_near(self, stem: int, gain: float) -> bool:
        """The gain may be this one."""
        return abs(float(self.gains[stem]) - gain) <= max(4 * float(self.errors[stem]), NO_GAIN)


def presence(bench: Bench, fit: Fit) -> Presence:
    """Regress what a fit leaves where it is loud on all stems as they go into the mix."""
    count = len(bench.parts.stems)
    loud = fit.loud_cells()
    if not loud.any():
        return Presence(np.zeros(count), np.full(count, np.inf), tuple(range(count)))
    gains, errors, firsts = np.zeros(count), np.zeros(count), tuple(range(count))
    for _ in range(_ROUNDS):
        normal, right = np.zeros((count, count)), np.zeros(count)
        for window in np.flatnonzero(loud.any(axis=1)):
            sounds, left = _spectra(bench, fit, int(window), loud[window])
            bench.parts.spend(sounds.size)
            own = [stem for stem, first in enumerate(firsts) if stem == first]
            weight = _weights(left - np.tensordot(gains[own], sounds[own], axes=1))
            weighted = (sounds * weight).reshape(count, -1)
            normal += np.real(weighted @ sounds.reshape(count, -1).conj().T)
            right += np.real(weighted @ left.reshape(-1).conj())
        gains, errors, firsts = _solved(normal, right)
    return Presence(gains, errors, firsts)


def content(
    bench: Bench, model: Model, holder: int, contained: int, lag: int
) -> tuple[float, float]:
    """At which gain one stem holds another, that much later, and the standard error of it.

    Over all that the excerpts have of the other one; the holder's own sound is what it stands in.
    """
    gain, normal = 0.0, 0.0
    shapes = (model.routes[holder], bench.excerpts.stems[holder])
    other = (model.routes[contained], bench.excerpts.stems[contained])
    frames = np.arange(CELLS_A_WINDOW - 1)
    for _ in range(_ROUNDS):
        normal = right = 0.0
        for window in range(len(bench.excerpts.starts)):
            own = _transformed(shapes[0] @ _inner(shapes[1][window], 0), frames)
            held = _transformed(other[0] @ _inner(other[1][window], lag), frames)
            bench.parts.spend(2 * own.size)
            weighted = held * _weights(own - gain * held)
            normal += float(np.vdot(held, weighted).real)
            right += float(np.vdot(weighted, own).real)
        gain = right / max(normal, 1e-12)
    return gain, math.sqrt(_KINSHIP / max(normal, 1e-12))


def _inner(samples: Stored, lag: int) -> Planar:
    return samples[..., MARGIN - lag : MARGIN - lag + WINDOW].astype(np.float64)


def _solved(normal: Planar, right: Planar) -> tuple[Planar, Planar, tuple[int, ...]]:
    """Gains, standard errors, and for each stem the first one that it is a double of, or itself.

    Doubles share one gain: of that one sound in the mix for both of them.
    """
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-12))
    alike = normal / np.outer(scale, scale)
    firsts = tuple(int(np.argmax(row >= 1 - _ALONE)) for row in alike)
    kept = sorted(set(firsts))
    inverse = np.linalg.pinv(alike[np.ix_(kept, kept)], rcond=1e-12)
    inverse /= np.outer(scale[kept], scale[kept])
    gains, errors = inverse @ right[kept], np.sqrt(_KINSHIP * np.maximum(np.diag(inverse), 0.0))
    places = [kept.index(first) for first in firsts]
    return gains[places], errors[places], firsts


def _spectra(
    bench: Bench, fit: Fit, window: int, loud: npt.NDArray[np.bool_]
) -> tuple[Spectra, Spectra]:
    """(stems, channels, frames, bins) and the residual's, of frames that are loud throughout."""
    frames = np.flatnonzero(loud[:-1] & loud[1:])
    model = fit.model
    sounds = np.stack(
        [
            _transformed(model.gain * (route @ bench.excerpts.inner_window(stem, window)), frames)
            for stem, route in enumerate(model.routes)
        ]
    )
    return sounds, _transformed(fit.residual[window], frames)


def _transformed(samples: Planar, frames: npt.NDArray[np.intp]) -> Spectra:
    view = np.lib.stride_tricks.sliding_window_view(samples, FRAME, axis=-1)[:, ::CELL]
    chosen = view[:, frames] * np.hanning(FRAME)
    return np.fft.rfft(chosen)[..., : _BANDS[-1]].astype(np.complex64)


def _weights(left: Spectra) -> npt.NDArray[np.float32]:
    """The inverse of the unexplained power by bands and groups of frames; 0 below the bands."""
    power = np.square(np.abs(left)).mean(axis=0)
    banded = np.add.reduceat(power, _BANDS[:-1], axis=1) / np.diff(_BANDS)
    starts = np.arange(0, max(len(banded), 1), _GROUP)
    counts = np.diff(np.append(starts, len(banded)))
    if not len(banded):
        return np.zeros((0, _BANDS[-1]), np.float32)
    grouped = np.add.reduceat(banded, starts, axis=0) / counts[:, None]
    spread = np.repeat(np.repeat(grouped, counts, axis=0), np.diff(_BANDS), axis=1)
    weights = np.zeros((len(banded), _BANDS[-1]), np.float32)
    weights[:, _BANDS[0] :] = 1 / np.maximum(spread, 1e-20)
    return weights


def banded_power(spectrum: npt.NDArray[np.complexfloating]) -> Planar:
    """Power of (windows, channels, bins) by bands of a fifth of an octave; (windows, bins)."""
    power = np.square(np.abs(spectrum)).mean(axis=1)
    bins = power.shape[-1]
    edges = np.unique(np.geomspace(64, bins, 60).astype(int))
    widths = np.diff(edges)
    means = np.add.reduceat(power, edges[:-1], axis=1) / widths
    spread = np.repeat(means, widths, axis=1)
    below = np.repeat(power[:, : edges[0]].mean(axis=1)[:, None], edges[0], axis=1)
    return np.concatenate((below, spread), axis=1)
