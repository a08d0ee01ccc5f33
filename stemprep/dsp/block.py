"""One stretch of decoded sound on its way through a pass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.int32]
Samples = npt.NDArray[np.float32] | npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SoundBlock:
    """Decoded samples in file order.

    samples: planar, shape (channels, frames), full scale = 1.0, value = code / 2**(bits - 1);
             float32 where that is exact for the format (integers up to 24 bits), else float64.
    codes:   interleaved, shape (frames, channels), int32 left-justified; None for float files.
             8-bit files are already signed here.
    """

    samples: Samples
    codes: Codes | None

    @property
    def frames(self) -> int:
        """Samples per channel in this block."""
        return int(self.samples.shape[1])
