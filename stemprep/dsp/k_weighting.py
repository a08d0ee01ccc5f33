"""K-weighting (ITU-R BS.1770-5, Annex 1) at any rate, as products of blocks and matrices.

A recursive filter over L samples is a triangular matrix times the samples plus a matrix times
the state before them; the states of many blocks follow from each other in the same way, one
level up. Three levels (64 samples, 16 blocks, all groups) cover a chunk without a loop.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CHUNK_FRAMES, CHUNK_STEP, Floats

Matrix = npt.NDArray[np.float64]

# Samples a block: with ``GROUP`` a whole chunk step, three levels and no loop.
BLOCK = 64
GROUP = CHUNK_STEP // BLOCK
# Two biquads of two states each.
STATES = 4
FLUSHED = 1e-15  # -300 dB: keeps tails, and their squares, out of the slow denormal range


def k_weighting_coefficients(rate_hz: int) -> tuple[Matrix, Matrix]:
    """Two biquads as rows (b0, b1, b2, a1, a2): high shelf, then high-pass.

    The bilinear form whose values at 48 kHz are those of BS.1770-5 tables 1 and 2; other
    rates get the same frequency response, which is all that the Recommendation asks.
    """
    k = np.tan(np.pi * 1681.974450955533 / rate_hz)
    q = 0.7071752369554196
    high = 10 ** (3.999843853973347 / 20)
    band = high**0.4996667741545416
    a0 = 1 + k / q + k * k
    shelf = np.array(
        [
            (high + band * k / q + k * k) / a0,
            2 * (k * k - high) / a0,
            (high - band * k / q + k * k) / a0,
            2 * (k * k - 1) / a0,
            (1 - k / q + k * k) / a0,
        ]
    )
    k = np.tan(np.pi * 38.13547087602444 / rate_hz)
    q = 0.5003270373238773
    a0 = 1 + k / q + k * k
    high_pass = np.array([1.0, -2.0, 1.0, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0])
    return shelf, high_pass


class KWeighting:
    """The filter with its state for a number of channels; starts from silence."""

    def __init__(
        self, rate_hz: int, channels: int, dtype: npt.DTypeLike, frames: int = CHUNK_FRAMES
    ) -> None:
        """Prepare for chunks of ``frames`` frames, a multiple of CHUNK_STEP."""
        self._matrices = _matrices(rate_hz, np.dtype(dtype).str, frames // CHUNK_STEP)
        self._frames = frames
        self._state = np.zeros((channels, STATES))
        blocks = channels * frames // BLOCK
        self._input: Floats = np.zeros((blocks, BLOCK + STATES), dtype=dtype)
        self._output: Floats = np.zeros((blocks, BLOCK), dtype=dtype)

    def filter(self, samples: Floats) -> Floats:
        """K-weighted samples, same shape and dtype, valid until the next call.

        samples: shape (channels, frames), whole chunks; only the last call may bring fewer frames.
        """
        channels, frames = samples.shape
        if not self._state.any() and not samples.any():
            self._output[:] = 0.0
            return self._output.reshape(channels, -1)[:, :frames]
        output_from, state_from, in_group, in_chunk = self._matrices
        blocks = self._input.reshape(channels, -1, BLOCK + STATES)
        if frames == self._frames:
            blocks[:, :, :BLOCK] = samples.reshape(channels, -1, BLOCK)
        else:
            padded = np.pad(samples, ((0, 0), (0, self._frames - frames)))
            blocks[:, :, :BLOCK] = padded.reshape(channels, -1, BLOCK)
        driven = (self._input[:, :BLOCK] @ state_from).astype(np.float64)
        self._input[:, BLOCK:] = self._states(driven, in_group, in_chunk, channels)
        np.matmul(self._input, output_from, out=self._output)
        return self._output.reshape(channels, -1)[:, :frames]

    def _states(self, driven: Matrix, in_group: Matrix, in_chunk: Matrix, channels: int) -> Matrix:
        """The state before every block, and the one to go on with in ``self._state``."""
        width = GROUP * STATES
        local = driven.reshape(-1, width) @ in_group[:width]
        group_driven = local[:, width:].reshape(channels, -1)
        before = np.hstack([group_driven, self._state]) @ in_chunk
        before[np.abs(before) < FLUSHED] = 0.0
        self._state = before[:, -STATES:]
        group_states = before[:, :-STATES].reshape(-1, STATES)
        states: Matrix = local[:, :width] + group_states @ in_group[width:, :width]
        return states.reshape(-1, STATES)


@lru_cache(maxsize=8)
def _matrices(rate_hz: int, dtype: str, groups: int) -> tuple[Floats, Floats, Matrix, Matrix]:
    """Block and state to output, block to next state, in ``dtype``; two ladders in float64."""
    a, b, c, d = _orthonormal(*_state_space(rate_hz))
    powers = [np.eye(STATES)]
    for _ in range(BLOCK):
        powers.append(a @ powers[-1])
    impulse = np.array([d] + [float(c @ power @ b) for power in powers[: BLOCK - 1]])
    direct = np.zeros((BLOCK, BLOCK))
    for row in range(BLOCK):
        direct[row, row:] = impulse[: BLOCK - row]
    into_state = np.array([powers[BLOCK - 1 - row] @ b for row in range(BLOCK)])
    from_state = np.array([c @ powers[column] for column in range(BLOCK)]).T
    over_block = powers[BLOCK]
    over_group = np.linalg.matrix_power(over_block, GROUP)
    return (
        np.vstack([direct, from_state]).astype(dtype),
        into_state.astype(dtype),
        _ladder(over_block, GROUP),
        _ladder(over_group, groups),
    )


def _ladder(step: Matrix, count: int) -> Matrix:
    """Rows of ``count`` inputs and one initial state times this give all ``count + 1`` states.

    Shape ((count + 1) * 4, (count + 1) * 4): column block i holds the state before step i.
    """
    powers = [np.linalg.matrix_power(step, exponent).T for exponent in range(count + 1)]
    size = (count + 1) * STATES
    ladder = np.zeros((count + 1, STATES, count + 1, STATES))
    for column in range(count + 1):
        ladder[count, :, column, :] = powers[column]
        for row in range(column):
            ladder[row, :, column, :] = powers[column - 1 - row]
    return ladder.reshape(size, size)


def _state_space(rate_hz: int) -> tuple[Matrix, Matrix, Matrix, float]:
    """Both biquads in series, transposed direct form II: s' = A s + b x, y = c s + d x."""
    first, second = k_weighting_coefficients(rate_hz)
    b0, b1, b2, a1, a2 = first
    c0, c1, c2, d1, d2 = second
    a = np.zeros((STATES, STATES))
    a[0] = [-a1, 1, 0, 0]
    a[1] = [-a2, 0, 0, 0]
    a[2] = [c1 - d1 * c0, 0, -d1, 1]
    a[3] = [c2 - d2 * c0, 0, -d2, 0]
    b = np.array([b1 - a1 * b0, b2 - a2 * b0, (c1 - d1 * c0) * b0, (c2 - d2 * c0) * b0])
    return a, b, np.array([c0, 0, 1, 0]), float(c0 * b0)


def _orthonormal(a: Matrix, b: Matrix, c: Matrix, d: float) -> tuple[Matrix, Matrix, Matrix, float]:
    """The same filter with states of equal scale, so that float32 products keep their digits.

    The impulse responses of the new states are orthonormal (input-normal form): the basis is
    the triangular factor of the matrix of all state responses.
    """
    responses, power = b[:, None], a
    while np.abs(responses[:, -1]).max() > 1e-14 * np.abs(responses).max():
        responses = np.hstack([responses, power @ responses])
        power = power @ power
    basis: Matrix = np.asarray(np.linalg.qr(responses.T, mode="r")).T
    inverse = np.linalg.inv(basis)
    return inverse @ a @ basis, inverse @ b, c @ basis, d
