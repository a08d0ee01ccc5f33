"""What a stem would leave of the mix at every lag: computed for all lags at once by correlation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.summing.excerpts import CELL, MARGIN, MAX_LAG, WINDOW
from stemprep.summing.parts import Planar, Stored, routed
from stemprep.summing.refine import Bench, Fit, Mask

LAG_PEAKS = 2
PEAK_DISTANCE = 3
_FLOAT32_LOSES = 1e-3
"""Of a stem's power: a thousand times the rounding errors of correlations in float32."""


class LagErrors:
    """Correlations of stems with one residual, over some of its cells.

    energy: that of the residual in these cells; mask: (windows, WINDOW), their samples.
    """

    def __init__(self, bench: Bench, fit: Fit, cells: Mask) -> None:
        self._bench, self._fit = bench, fit
        self.mask = np.repeat(cells, CELL, axis=1)
        self.energy = float(np.einsum("kcw,kcw,kw->", fit.residual, fit.residual, self.mask))

    def wanted_energy(self, stem: int) -> float:
        """Energy of what the mix has once the stem is taken out of the model."""
        wanted = self._wanted(stem)
        return float(np.einsum("kcw,kcw,kw->", wanted, wanted, self.mask))

    def correlations(self, stem: int, *, is_sharp: bool = False) -> tuple[Planar, Planar]:
        """For every lag: what the mix wants of the stem times the moved stem, and its power.

        Lags from -MAX_LAG to MAX_LAG. is_sharp: of their differences from sample to sample, in
        which high partials and attacks stand out.
        """
        route = self._fit.model.routes[stem]
        wanted = self._wanted(stem)
        stored: Stored = self._bench.excerpts.stems[stem]
        if is_sharp:
            wanted, stored = np.diff(wanted, prepend=0.0), np.diff(stored, prepend=0.0)
        wanted *= self.mask[:, None, :]
        kind = self._precision(stored)
        heard = _padded(np.einsum("rc,krw->kcw", route, wanted), kind)
        stored = stored.astype(kind)
        cross = (np.conj(np.fft.rfft(heard)) * np.fft.rfft(stored)).sum(axis=(0, 1))
        squares = np.square(np.einsum("rc,kcw->krw", route.astype(kind), stored)).sum(axis=1)
        mask = np.conj(np.fft.rfft(_padded(self.mask, kind)))
        power = (mask * np.fft.rfft(squares)).sum(axis=0)
        size = WINDOW + 2 * MARGIN
        return _around_zero(np.fft.irfft(cross, size)), _around_zero(np.fft.irfft(power, size))

    def _wanted(self, stem: int) -> Planar:
        model = self._fit.model
        inner = self._bench.excerpts.inner(stem)
        return self._fit.residual + model.gain * routed(model.routes[stem], inner)

    def _precision(self, stored: Stored) -> type[np.floating]:
        """Float32 where what its sums lose is far below the energy to be explained."""
        power = float(np.einsum("kcw,kcw->", stored, stored, dtype=np.float64))
        return np.float32 if self.energy > _FLOAT32_LOSES * power else np.float64


def lowest(errors: Planar, count: int = LAG_PEAKS) -> list[int]:
    """The deepest places that are no neighbours of each other; lag 0 is no move."""
    left = errors.copy()
    left[MAX_LAG] = np.inf
    places: list[int] = []
    for _ in range(count):
        place = int(np.argmin(left))
        places.append(place)
        left[max(place - PEAK_DISTANCE, 0) : place + PEAK_DISTANCE + 1] = np.inf
    return places


def _padded(inner: npt.NDArray[np.generic], kind: type[np.floating]) -> Stored:
    """With the margins of the stems, filled with zeros."""
    padded = np.zeros((*inner.shape[:-1], WINDOW + 2 * MARGIN), kind)
    padded[..., MARGIN : MARGIN + WINDOW] = inner
    return padded


def _around_zero(circle: npt.NDArray[np.floating]) -> Planar:
    return np.concatenate((circle[-MAX_LAG:], circle[: MAX_LAG + 1])).astype(np.float64)
