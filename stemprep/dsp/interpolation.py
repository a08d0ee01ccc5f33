"""Filters that read a signal between its samples, for the true peak (BS.1770-5, Annex 2)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES
from stemprep.model.words import TruePeakFilter

Matrix = npt.NDArray[np.float64]

# Half of them either side; with the window below, what the default true peak is read by.
LONG_TAPS = 48
# Side lobes some 90 dB down (J. F. Kaiser's window, from memory).
LONG_KAISER_BETA = 9.0

# ITU-R BS.1770-5, Annex 2: 48 taps in 4 phases, in units of 1/8192; phases 2 and 3 are
# phases 1 and 0 reversed.
ANNEX_2_PHASE_0 = (14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68)
# The same source.
ANNEX_2_PHASE_1 = (-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -477, 271, -155)


@dataclass(frozen=True)
class Interpolator:
    """Polyphase kernels: row p times samples n-T/2+1 .. n+T/2 is the value of phase p at n.

    kernels:   shape (phases, taps), taps even and at most 2 * CELL_FRAMES; may have no phases.
    positions: where each phase lies between sample n (0) and n + 1 (1).
    """

    kernels: Matrix
    positions: Matrix

    @property
    def taps(self) -> int:
        """Samples that one interpolated value depends on."""
        return int(self.kernels.shape[1])

    @property
    def span(self) -> int:
        """Samples that the interpolated values of one cell depend on."""
        return CELL_FRAMES + self.taps

    def cell_matrix(self, dtype: npt.DTypeLike) -> npt.NDArray[np.floating]:
        """Shape (span, 32 * phases): a cell with taps/2 samples either side to all its values."""
        phases, taps = self.kernels.shape
        matrix = np.zeros((self.span, CELL_FRAMES, phases))
        for frame in range(CELL_FRAMES):
            matrix[frame + 1 : frame + 1 + taps, frame, :] = self.kernels.T
        return matrix.reshape(self.span, -1).astype(dtype)

    @cached_property
    def gain(self) -> float:
        """Largest factor by which any phase can exceed the largest sample it sees."""
        return float(np.abs(self.kernels).sum(axis=1).max(initial=0.0))

    @cached_property
    def smooth_gains(self) -> tuple[float, float, float]:
        """Factors (s, m, r) with |value| <= s max|x| + m max|dx| + r max|ddx|.

        max|x| is over the two samples around the value, |dx| their difference, max|ddx| (second
        difference) over all it depends on. A kernel is a straight line between those two
        samples, scaled by its sum s, plus what is left; left-over with zero sum is a filter of
        the first difference, and of the second once its first moment m is taken out.
        """
        if not self.kernels.size:
            return 0.0, 0.0, 0.0
        centre = self.taps // 2
        total = self.kernels.sum(axis=1)
        rest = self.kernels.copy()
        rest[:, centre - 1] -= total * (1 - self.positions)
        rest[:, centre] -= total * self.positions
        first = np.cumsum(rest, axis=1)
        moment = first.sum(axis=1)
        first[:, centre - 1] -= moment
        second = np.cumsum(first, axis=1)
        return (
            float(np.abs(total).max()),
            float(np.abs(moment).max()),
            float(np.abs(second).sum(axis=1).max()),
        )


@lru_cache(maxsize=8)
def interpolator(name: TruePeakFilter, rate_hz: int) -> Interpolator:
    """The named filter at a rate.

    long:    48-tap Kaiser-windowed sinc, 16 times below 80 kHz, 8 times below 160 kHz, else 4.
    hann-49: 49-tap Hann-windowed sinc as in libebur128: 4 times below 96 kHz, 2 times below
             192 kHz, none above.
    annex-2: the table of BS.1770-5 Annex 2, four phases at every rate; none of them is the
             sample itself.
    """
    if name == "annex-2":
        return _annex_2()
    if name == "hann-49":
        return _hann_49(4 if rate_hz < 96_000 else 2 if rate_hz < 192_000 else 1)
    return _long(16 if rate_hz < 80_000 else 8 if rate_hz < 160_000 else 4)


def _long(factor: int) -> Interpolator:
    positions = np.arange(1, factor) / factor
    distance = _distances(positions, LONG_TAPS)
    window = np.i0(LONG_KAISER_BETA * np.sqrt(np.maximum(0, 1 - (2 * distance / LONG_TAPS) ** 2)))
    kernels = np.sinc(distance) * window
    # A phase passes 0 Hz unchanged: a constant must not gain a ripple.
    return Interpolator(kernels / kernels.sum(axis=1, keepdims=True), positions)


def _hann_49(factor: int) -> Interpolator:
    taps = 48 // factor
    positions = np.arange(1, factor) / factor
    distance = _distances(positions, taps)
    window = 0.5 + 0.5 * np.cos(2 * np.pi * distance / taps)
    return Interpolator(np.sinc(distance) * window, positions)


def _annex_2() -> Interpolator:
    first, second = np.array([ANNEX_2_PHASE_0, ANNEX_2_PHASE_1]) / 8192
    # Window order is oldest sample first, the table's is newest first.
    kernels = np.array([first, second, second[::-1], first[::-1]])[:, ::-1]
    return Interpolator(kernels, np.array([1, 3, 5, 7]) / 8)


def _distances(positions: Matrix, taps: int) -> Matrix:
    """Distance from each phase to each sample of its window, shape (phases, taps)."""
    offsets = np.arange(taps) - (taps // 2 - 1)
    return np.asarray(positions[:, None] - offsets[None, :])
