"""What a null test found: do the stems of a song add up to its mix, and if not, why.

Positions are 0-based, ends exclusive, in samples of the file that a cause names, else of the mix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from stemprep.model.definition import ItemCount
from stemprep.model.record_codec import FLAGGED, LEFT_OUT, Written
from stemprep.model.value_types import Share

NullVerdict = Literal["exact", "word-length", "not"]
CauseKind = Literal[
    "level",
    "moved",
    "inverted",
    "not-in-mix",
    "missing-stem",
    "cut-short",
    "pan",
    "foreign",
    "older",
    "also-in",
    "codec",
    "bus-dynamics",
    "not-explained",
]
Placement = Literal["time-reference", "file-start"]
ReferenceEvidence = Literal["name", "sheet", "sound"]
"""What says which file is the mix: its name, the session sheet, or that others add up to it."""
BusProcess = Literal["", "dynamics", "equaliser"]
"""What a mix bus seems to hold; "" where unknown."""


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
    level_dbfs, centre_hz: RMS level and spectral centre of what no stem explains; of ``foreign``
                  and ``older`` those of the mix's own sound of that part.
    contains:     of ``also-in``: the file whose sound this one holds besides its own, at
                  ``gain_db`` and ``lag_samples`` late.
    same_spans:   of ``older``: where the file holds what the mix has, the longest first.
    left_dbfs:    RMS of what is left when the cause is undone; None where that is no more than word
                  lengths leave, and where it cannot be undone.
    sounding:     of what is not explained: the files that sound where it does.
    has_no_stem:  of what is not explained: the mix holds not one of the stems.
    alternatives: other causes that explain the same as well.
    """

    kind: CauseKind
    file: str | None = None
    gain_db: float | None = None
    lag_samples: Annotated[float | None, Written(decimals=3)] = None
    start_sample: int | None = None
    end_sample: int | None = None
    confidence: Annotated[Share, Written(decimals=2)] = 0.0
    is_swapped: bool = False
    channel_gains_db: tuple[float | None, ...] = ()
    gain_range_db: tuple[float, float] | None = None
    process: BusProcess = ""
    level_dbfs: float | None = None
    centre_hz: Annotated[float | None, Written(decimals=1)] = None
    contains: str | None = None
    same_spans: tuple[tuple[int, int], ...] = ()
    left_dbfs: float | None = None
    sounding: tuple[str, ...] = ()
    has_no_stem: bool = False
    alternatives: Annotated[tuple[NullCause, ...], Written(without=("alternatives",))] = ()


Obstacle = Literal["sample-rate", "channels", "not-readable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class UntestedSum:
    """Stems and a mix of one song that cannot be summed, and the stems that keep them from it."""

    song: str
    reference: str
    stems: tuple[str, ...]
    odd: Annotated[tuple[str, ...], ItemCount(1)]
    obstacle: Obstacle


@dataclass(frozen=True, slots=True, kw_only=True)
class NullTest:
    """The result for one song.

    gain_db:      common gain between the sum of the stems and the mix, no fault; 0 where it is
                  not proven by what is left.
    sum_peak_dbfs: sample peak of the stems' sum in float64, all at unity, while the mix lasts;
                  -inf for silence. Over 0 whoever sums them has to pull them down together.
    residual_peak_dbfs, residual_rms_dbfs: of mix minus sum; -inf where they are the same.
    limit_peak_dbfs, limit_rms_dbfs: what the word lengths of the files can leave at most.
    residual_over_time_dbfs: peak of the residual in equal stretches of the mix.
    reference_by: what says that the reference is the mix.
    placed_by:    what put the files beside each other.
    left_out:     (file, role) of the song's other files, which are not summed.
    parts:        what ``stems`` are.
    """

    song: str
    folder: str
    reference: str
    stems: tuple[str, ...]
    sample_rate_hz: Annotated[int, LEFT_OUT]
    frames: Annotated[int, LEFT_OUT]
    gain_db: float
    sum_peak_dbfs: Annotated[float, FLAGGED]
    residual_peak_dbfs: Annotated[float, FLAGGED]
    residual_rms_dbfs: Annotated[float, FLAGGED]
    limit_peak_dbfs: float
    limit_rms_dbfs: float
    verdict: NullVerdict
    reference_by: ReferenceEvidence = "name"
    placed_by: Placement = "file-start"
    residual_over_time_dbfs: Annotated[tuple[float, ...], Written(decimals=1)] = ()
    causes: tuple[NullCause, ...] = ()
    left_out: Annotated[tuple[tuple[str, str], ...], Written(keys=("file", "role"))] = ()
    parts: SummedParts = "stems"
