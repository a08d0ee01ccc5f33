"""Samples in one signed byte each, for pictures: the square root keeps quiet sound visible.

A byte b stands for sign(b) * (b / 127)^2: full scale is 127, the smallest step -84 dBFS.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

LARGEST = 127  # of a signed byte


def levels_of(values: npt.NDArray[np.floating]) -> npt.NDArray[np.int8]:
    """Bytes of samples of any shape; beyond full scale and infinite: full scale, NaN: 0.

    What is not zero never becomes zero: sound and silence can be told apart.
    """
    finite = np.nan_to_num(np.asarray(values, dtype=np.float64), nan=0.0, posinf=1.0, neginf=-1.0)
    scaled = LARGEST * np.sqrt(np.minimum(np.abs(finite), 1.0))
    sizes = np.maximum(np.rint(scaled), finite != 0)
    return np.asarray(np.sign(finite) * sizes, dtype=np.int8)


def value_of(level: int) -> float:
    """The sample that a byte stands for, full scale 1.0."""
    return math.copysign((level / LARGEST) ** 2, level)


def level_of(value: float) -> int:
    """The byte of one sample; see ``levels_of``."""
    return int(levels_of(np.array(value)))
