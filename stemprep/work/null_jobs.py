"""What a null test takes; apart from the test, which a drop without a mix need not load."""

from __future__ import annotations

from dataclasses import dataclass

from stemprep.model.header import Header
from stemprep.model.null_test import SummedParts


@dataclass(frozen=True, slots=True, kw_only=True)
class SummedFile:
    """One file of the sum as the measuring pass found it.

    word_bits: bits that its samples use (20 in a 24-bit word); peak, rms: full scale = 1.0.
    start_samples: its time reference; None where it has none.
    """

    path: str
    raw_path: bytes
    header: Header
    word_bits: int
    peak: float
    rms: float
    start_samples: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NullTestJob:
    """The mix and the stems of one song, all below one absolute root folder."""

    root: str
    song: str
    folder: str
    mix: SummedFile
    stems: tuple[SummedFile, ...]
    left_out: tuple[tuple[str, str], ...] = ()
    parts: SummedParts = "stems"
