"""What a null test found: do the stems of a song add up to its mix, and if not, why.

Positions are 0-based, ends exclusive, in samples of the file that a cause names, else of the mix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

NullVerdict = Literal["exact", "word-length", "not"]
CauseKind = Literal[
    "level",
    "moved",
    "inverted",
    "not-in-mix",
    "missing-stem",
    "cut-short",
    "pan",
    "bus-dynamics",
    "not-explained",
]
Placement = Literal["time-reference", "file-start"]


SummedParts = Literal["stems", "alternate-mixes"]
"""What was added up: the song's stems, or an instrumental and its a cappella."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NullCause:
    """One reason why the stems do not add up to the mix.

    file:         what would have to change; None where nobody is to blame.
    gain_db:      how much louder the file is than its part in the mix; None where that is not
                  the cause, and for a part that is not in the mix at all.
    lag_samples:  positive: the file is late.
    start_sample, end_sample: where it holds; None: throughout.
    is_swapped:   left and right stand exchanged.
    channel_gains_db: by which gain each channel would have to change to be as in the mix; a channel
                  that has no part in the mix, or is inverted there, is None.
    gain_range_db: lowest and highest gain of a bus that changes level over time.
    process:      what a mix bus seems to hold: ``dynamics`` or ``equaliser``; "" where unknown.
    level_dbfs, centre_hz: RMS level and spectral centre of what no stem explains.
    alternatives: other causes that explain the same as well.
    """

    kind: CauseKind
    file: str | None = None
    gain_db: float | None = None
    lag_samples: float | None = None
    start_sample: int | None = None
    end_sample: int | None = None
    confidence: float = 0.0
    is_swapped: bool = False
    channel_gains_db: tuple[float | None, ...] = ()
    gain_range_db: tuple[float, float] | None = None
    process: str = ""
    level_dbfs: float | None = None
    centre_hz: float | None = None
    alternatives: tuple[NullCause, ...] = ()


Obstacle = Literal["sample-rate", "channels", "not-readable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class UntestedSum:
    """Stems and a mix of one song that cannot be summed, and the stems that keep them from it."""

    song: str
    reference: str
    stems: tuple[str, ...]
    odd: tuple[str, ...]
    obstacle: Obstacle


@dataclass(frozen=True, slots=True, kw_only=True)
class NullTest:
    """The result for one song.

    gain_db:      common gain between the sum of the stems and the mix, fitted; no fault.
    sum_peak_dbfs: sample peak of the stems' sum in float64, all at unity, while the mix lasts;
                  -inf for silence. Over 0 whoever sums them has to pull them down together.
    residual_peak_dbfs, residual_rms_dbfs: of mix minus sum; -inf where they are the same.
    limit_peak_dbfs, limit_rms_dbfs: what the word lengths of the files can leave at most.
    residual_over_time_dbfs: peak of the residual in equal stretches of the mix.
    placed_by:    what put the files beside each other.
    left_out:     (file, role) of the song's other files, which are not summed.
    parts:        what ``stems`` are.
    """

    song: str
    folder: str
    reference: str
    stems: tuple[str, ...]
    sample_rate_hz: int
    frames: int
    gain_db: float
    sum_peak_dbfs: float
    residual_peak_dbfs: float
    residual_rms_dbfs: float
    limit_peak_dbfs: float
    limit_rms_dbfs: float
    verdict: NullVerdict
    placed_by: Placement = "file-start"
    residual_over_time_dbfs: tuple[float, ...] = ()
    causes: tuple[NullCause, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()
    parts: SummedParts = "stems"
