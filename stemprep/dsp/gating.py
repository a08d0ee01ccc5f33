"""From energies of 10 ms to loudness: ITU-R BS.1770-5 gates, EBU Tech 3341 and 3342."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.units import SILENCE_DB, db_from_power, power_from_db

Energies = npt.NDArray[np.float64]

# 10 ms: divides the 100 ms steps and the 0.4 and 3 s windows of BS.1770-5 and Tech 3341.
HOPS_PER_S = 100
# 0.4 s: gating block of BS.1770-5, momentary window of EBU Tech 3341.
MOMENTARY_HOPS = 40
# 3 s: short-term window of EBU Tech 3341.
SHORT_TERM_HOPS = 300
# 100 ms: blocks of 0.4 s that overlap by 75 % (BS.1770-5).
BLOCK_HOPS = 10
# BS.1770-5, Annex 1: absolute threshold.
ABSOLUTE_GATE_LUFS = -70.0
OFFSET_LU = -0.691  # BS.1770-5 equation 2: 997 Hz at full scale in one channel reads -3.01


def hop_edges(hops: int, rate_hz: int) -> npt.NDArray[np.int64]:
    """Frames at which 10 ms hops begin, ``hops + 1`` of them, to the nearest sample."""
    edges: npt.NDArray[np.int64] = (np.arange(hops + 1) * rate_hz + HOPS_PER_S // 2) // HOPS_PER_S
    return edges


def window_powers(energies: Energies, edges: npt.NDArray[np.int64], width: int) -> Energies:
    """Mean square of every window of ``width`` hops, one per hop; empty if too short.

    Differences of a running sum: silence stays exactly zero, and the error of a window is
    below 1e-10 of the loudest one.
    """
    if energies.size < width:
        return np.zeros(0)
    running = np.concatenate([[0.0], np.cumsum(energies)])
    sums = running[width:] - running[:-width]
    return np.asarray(sums / (edges[width:] - edges[:-width]))


def loudness_from_power(power: float) -> float:
    """Loudness of a weighted mean square, LUFS; -inf for zero (BS.1770-5 equation 2)."""
    return OFFSET_LU + db_from_power(power) if power > 0 else SILENCE_DB


def power_from_loudness(loudness_lufs: float) -> float:
    """The weighted mean square that reads ``loudness_lufs``."""
    return power_from_db(loudness_lufs - OFFSET_LU)


def integrated_loudness(momentary: Energies) -> float | None:
    """Gated loudness of 400 ms powers taken every 10 ms, LUFS; None if nothing passes.

    Uses every tenth power: blocks overlap by 75 %. Relative gate 10 LU below the mean of the
    blocks over -70 LUFS (BS.1770-5 equations 4 to 7).
    """
    blocks = momentary[::BLOCK_HOPS]
    blocks = blocks[blocks > power_from_loudness(ABSOLUTE_GATE_LUFS)]
    if not blocks.size:
        return None
    return loudness_from_power(float(blocks[blocks > blocks.mean() / 10].mean()))


def loudness_range(short_term: Energies) -> float | None:
    """EBU Tech 3342 range of 3 s powers taken every 10 ms, LU; None if nothing passes.

    Uses every tenth power (100 ms steps). Gates: -70 LUFS, then 20 LU below the power mean of
    what is left; 95th less 10th percentile, nearest rank.
    """
    values = short_term[::BLOCK_HOPS]
    values = values[values >= power_from_loudness(ABSOLUTE_GATE_LUFS)]
    if not values.size:
        return None
    values = np.sort(values[values >= values.mean() / 100])
    low, high = (values[int((values.size - 1) * share + 0.5)] for share in (0.10, 0.95))
    return db_from_power(float(high / low))
