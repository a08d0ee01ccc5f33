"""Sound without what is no number, for sums that one such value would spoil."""

from __future__ import annotations

from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt

Floats = TypeVar("Floats", bound=npt.NDArray[np.floating[Any]])


def finite(samples: Floats) -> Floats:
    """The samples, of any shape, zero where they are NaN or infinite; themselves where none is."""
    are_numbers = np.isfinite(samples)
    if are_numbers.all():
        return samples
    return cast("Floats", np.where(are_numbers, samples, samples.dtype.type(0.0)))
