"""Working memory that is used again for every chunk."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt


class Scratch:
    """One buffer that grows to the largest array asked for.

    Fresh arrays of 128 KB and more come from the system page by page, and clearing those pages
    costs more than the arithmetic in them.
    """

    def __init__(self) -> None:
        self._bytes = np.zeros(0, dtype=np.uint8)

    def array(self, shape: tuple[int, ...], dtype: npt.DTypeLike) -> npt.NDArray[np.floating]:
        """An array with undefined content; valid until the next call."""
        size = math.prod(shape) * np.dtype(dtype).itemsize
        if self._bytes.size < size:
            self._bytes = np.zeros(size, dtype=np.uint8)
        array: npt.NDArray[np.floating] = self._bytes[:size].view(dtype).reshape(shape)
        return array
