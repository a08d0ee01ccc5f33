"""Which microphone lies where against which, and which files share a signal; no verdict.

A lag is positive where the file is later than its reference. Paths as in the report.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from stemprep.model.null_test import Placement
from stemprep.model.record_codec import Written
from stemprep.model.value_types import Finite, Share

_HUNDREDTHS = Written(decimals=2)

Polarity = Literal["same", "inverted"]
Relation = Literal["pair", "group", "kit"]
"""pair: the sheet calls them a matched pair; group: microphones of one source; kit: a close
microphone of the kit and a distant one."""

Stand = Literal["close", "overhead", "room"]
"""How far off the farther of two microphones stands, by their names: how late it may usually be."""

CELSIUS_OF_0_K = -273.15
SPEED_AT_0_C_M_S = 331.3
"""Dry air, in the usual engineering approximation c = 331.3 sqrt(1 + T / 273.15) m/s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MicLag:
    """One microphone measured against another.

    lag_samples: at ``sample_rate_hz``; None where nothing stands out clearly enough.
    polarity:    None with it.
    confidence:  0..1: how much of the power of the two likeliest lags the second does not have.
    channel:     which channel of a file of several was taken; None for mono.
    drift_ppm:   by how many millionths the file's clock is faster; None where it is not seen to
                 be. The lag is then that at the first place compared.
    low_correlation: -1..1, that of both in the low end, in half of the loud windows at or below;
                 known without a lag too. None where one has nothing there.
    """

    song: str
    reference: str
    file: str
    relation: Relation
    sample_rate_hz: int
    stand: Stand = "close"
    lag_samples: float | None = None
    polarity: Polarity | None = None
    confidence: float = 0.0
    channel: int | None = None
    drift_ppm: float | None = None
    low_correlation: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MicPair:
    """A microphone whose lag is known; distance_m: the way of sound in that time, signed."""

    song: str
    reference: str
    file: str
    relation: Relation
    lag_samples: Annotated[Finite, _HUNDREDTHS]
    lag_ms: Finite
    distance_m: Finite
    polarity: Polarity
    confidence: Annotated[Share, _HUNDREDTHS]
    stand: Stand = "close"
    channel: int | None = None
    drift_ppm: Annotated[float | None, _HUNDREDTHS] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ContentLag:
    """A file that holds the same signal as another, sample for sample, so much later.

    likeness: 0..1: the share of the band's frequencies that agree.
    placed_by: what put the files beside each other before their sound was compared.
    """

    song: str
    reference: str
    file: str
    sample_rate_hz: int
    lag_samples: int
    likeness: float
    placed_by: Placement = "file-start"


def speed_of_sound_m_s(temperature_c: float) -> float:
    """331.3 sqrt(1 + T / 273.15) m/s; ValueError at or below absolute zero."""
    if temperature_c <= CELSIUS_OF_0_K:
        raise ValueError(f"{temperature_c} C is no temperature of air")
    return SPEED_AT_0_C_M_S * float((1.0 - temperature_c / CELSIUS_OF_0_K) ** 0.5)


def pair_of_lag(lag: MicLag, temperature_c: float) -> MicPair | None:
    """The pair with its lag in time and way; None where there is no verdict."""
    if lag.lag_samples is None or lag.polarity is None:
        return None
    seconds = lag.lag_samples / lag.sample_rate_hz
    return MicPair(
        song=lag.song,
        reference=lag.reference,
        file=lag.file,
        relation=lag.relation,
        lag_samples=lag.lag_samples,
        lag_ms=1000.0 * seconds,
        distance_m=seconds * speed_of_sound_m_s(temperature_c),
        polarity=lag.polarity,
        confidence=lag.confidence,
        stand=lag.stand,
        channel=lag.channel,
        drift_ppm=lag.drift_ppm,
    )
