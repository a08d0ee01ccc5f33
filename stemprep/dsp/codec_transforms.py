"""The transforms by which common codecs take sound apart, each coefficient as a filter.

As a filter every coefficient can be had at all positions of a frame at once, by one Fourier
transform. Long blocks alone: they carry most of any sound.

Sources: ISO/IEC 14496-3 (AAC), the Vorbis I specification, RFC 6716 (Opus), ISO/IEC 11172-3 (MP3).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

Taps = npt.NDArray[np.float64]

_KAISER_ALPHA: Final = 4.0  # ISO/IEC 14496-3, 4.6.11.3.2: long blocks
_OPUS_OVERLAP: Final = 120  # RFC 6716, 4.3.7: 2.5 ms at 48 kHz
_SUBBANDS: Final = 32  # ISO/IEC 11172-3, 2.4.3.2
_LINES: Final = 18  # of a subband, ISO/IEC 11172-3, 2.4.3.4.10
_ALIAS: Final = (-0.6, -0.535, -0.33, -0.185, -0.095, -0.041, -0.0142, -0.0037)
"""ISO/IEC 11172-3, table B.9: what neighbouring subbands share."""


@dataclass(frozen=True, slots=True, eq=False)
class Transform:
    """Some coefficients of one codec's transform.

    name:     what to call it; hop: samples from one frame to the next.
    taps:     one filter a coefficient, shape (coefficients, length), earliest sample first.
    emphasis: what the codec takes of the last sample from each before its transform.
    floor:    of the peak: what the arithmetic of decoders and of this look leaves instead of zero.
    least_sigmas: how far zeros must exceed chance; clean sound reaches 4.7 and, above 20 kHz, 7.5.
    """

    name: str
    hop: int
    taps: Taps
    emphasis: float = 0.0
    floor: float = 4e-6
    least_sigmas: float = 6.0


@cache
def aac() -> Transform:
    """AAC with the window that music gets (Kaiser-Bessel derived)."""
    return Transform("AAC", 1024, _mdct(1024, _kaiser_bessel(2048), _spread(1024)))


@cache
def aac_sine() -> Transform:
    """AAC with its other window."""
    return Transform("AAC", 1024, _mdct(1024, _sine(2048), _spread(1024)))


@cache
def vorbis() -> Transform:
    """Vorbis with the long block that its common encoder uses (2,048 samples)."""
    return Transform("Vorbis", 1024, _mdct(1024, _power_sine(2048), _spread(1024)))


@cache
def opus() -> Transform:
    """Opus at 48 kHz: what lies above the 20 kHz that it codes, in frames of 20 ms."""
    hop, overlap = 960, _OPUS_OVERLAP
    slope, flat = _power_sine(2 * overlap)[:overlap], np.ones(hop - overlap)
    zeros = np.zeros((hop - overlap) // 2)
    window = np.concatenate([zeros, slope, flat, slope[::-1], zeros])
    return Transform(
        "Opus",
        hop,
        _mdct(hop, window, range(804, 950, 4)),
        emphasis=0.85,
        floor=2e-7,
        least_sigmas=13.0,
    )


@cache
def mp3() -> Transform:
    """MP3: 32 subbands, each taken apart once more, neighbours freed of what they share."""
    lines = _spread(_SUBBANDS * _LINES)
    return Transform("MP3", _SUBBANDS * _LINES, np.array([_mp3_line(line) for line in lines]))


def _spread(hop: int) -> list[int]:
    """Coefficients over the range in which music sounds and codecs save, more of the treble."""
    places = (*np.linspace(0.02, 0.12, 8, endpoint=False), *np.linspace(0.12, 0.94, 56))
    return [round(place * hop) for place in places]


def _mdct(hop: int, window: Taps, coefficients: Sequence[int]) -> Taps:
    places = np.arange(2 * hop) + 0.5 + hop / 2
    lines = np.array(coefficients)[:, None] + 0.5
    return window * np.cos(np.pi / hop * places * lines)


def _sine(length: int) -> Taps:
    return np.sin(np.pi * (np.arange(length) + 0.5) / length)


def _power_sine(length: int) -> Taps:
    return np.sin(np.pi / 2 * np.square(_sine(length)))


def _kaiser_bessel(length: int) -> Taps:
    total = np.cumsum(np.kaiser(length // 2 + 1, np.pi * _KAISER_ALPHA))
    half = np.sqrt(total[:-1] / total[-1])
    return np.concatenate([half, half[::-1]])


def _mp3_line(line: int) -> Taps:
    """Filter of one line after the alias reduction, ISO/IEC 11172-3, 2.4.3.4.10 turned round."""
    band, number = divmod(line, _LINES)
    taps = _subband_line(band, number)
    if number < len(_ALIAS) and band > 0:
        own, other = _rotation(number)
        return own * taps - other * _subband_line(band - 1, _LINES - 1 - number)
    if number >= _LINES - len(_ALIAS) and band < _SUBBANDS - 1:
        own, other = _rotation(_LINES - 1 - number)
        return own * taps + other * _subband_line(band + 1, _LINES - 1 - number)
    return taps


def _rotation(number: int) -> tuple[float, float]:
    share = _ALIAS[number]
    return 1 / float(np.hypot(1, share)), share / float(np.hypot(1, share))


def _subband_line(band: int, number: int) -> Taps:
    """Filter of one line of one subband: the subband's own filter at 36 of its samples."""
    slots = np.arange(2 * _LINES)
    weights = _sine(2 * _LINES) * np.cos(
        np.pi / (4 * _LINES) * (2 * slots + 1 + _LINES) * (2 * number + 1)
    )
    if band % 2:
        weights = weights * np.where(slots % 2, -1, 1)  # odd subbands lie upside down
    prototype = _subband_prototype()
    phase = (2 * band + 1) * (np.arange(len(prototype)) - 16) * np.pi / (2 * _SUBBANDS)
    filter_ = (prototype * np.cos(phase))[::-1]
    taps = np.zeros(len(prototype) + _SUBBANDS * (2 * _LINES - 1))
    for slot, weight in enumerate(weights):
        taps[_SUBBANDS * slot : _SUBBANDS * slot + len(prototype)] += weight * filter_
    return taps


@cache
def _subband_prototype() -> Taps:
    """The low pass behind all subbands: 512 taps that mirror at the 256th, the first one zero."""
    half = np.array(_PROTOTYPE, dtype=np.float64)
    return np.concatenate([[0.0], half[:0:-1], half]) / 2**21


# ISO/IEC 11172-3, table C.1, from its middle on, in units of 2**-21, without the signs by which
# the table alternates every 64 samples.
_PROTOTYPE: Final = (
    75038,
    74992,
    74856,
    74630,
    74313,
    73908,
    73415,
    72835,
    72169,
    71420,
    70590,
    69679,
    68692,
    67629,
    66494,
    65290,
    64019,
    62684,
    61289,
    59838,
    58333,
    56778,
    55178,
    53534,
    51853,
    50137,
    48390,
    46617,
    44821,
    43006,
    41176,
    39336,
    37489,
    35640,
    33791,
    31947,
    30112,
    28289,
    26482,
    24694,
    22929,
    21189,
    19478,
    17799,
    16155,
    14548,
    12980,
    11455,
    9975,
    8540,
    7154,
    5818,
    4533,
    3300,
    2122,
    998,
    -70,
    -1082,
    -2037,
    -2935,
    -3776,
    -4561,
    -5288,
    -5959,
    -6574,
    -7134,
    -7640,
    -8092,
    -8492,
    -8840,
    -9139,
    -9389,
    -9592,
    -9750,
    -9863,
    -9935,
    -9966,
    -9959,
    -9916,
    -9838,
    -9727,
    -9585,
    -9416,
    -9219,
    -8998,
    -8755,
    -8491,
    -8209,
    -7910,
    -7597,
    -7271,
    -6935,
    -6589,
    -6237,
    -5879,
    -5517,
    -5153,
    -4788,
    -4425,
    -4063,
    -3705,
    -3351,
    -3004,
    -2663,
    -2330,
    -2006,
    -1692,
    -1388,
    -1095,
    -814,
    -545,
    -288,
    -45,
    185,
    402,
    605,
    794,
    970,
    1131,
    1280,
    1414,
    1535,
    1644,
    1739,
    1822,
    1893,
    1952,
    2000,
    2037,
    2063,
    2080,
    2087,
    2085,
    2075,
    2057,
    2032,
    2001,
    1962,
    1919,
    1870,
    1817,
    1759,
    1698,
    1634,
    1567,
    1498,
    1428,
    1356,
    1283,
    1210,
    1137,
    1064,
    991,
    919,
    848,
    779,
    711,
    645,
    581,
    519,
    459,
    401,
    347,
    294,
    244,
    197,
    153,
    111,
    72,
    36,
    2,
    -29,
    -57,
    -83,
    -106,
    -127,
    -146,
    -163,
    -177,
    -189,
    -200,
    -208,
    -215,
    -221,
    -224,
    -227,
    -228,
    -228,
    -227,
    -225,
    -222,
    -218,
    -213,
    -208,
    -202,
    -196,
    -190,
    -183,
    -176,
    -169,
    -161,
    -154,
    -147,
    -139,
    -132,
    -125,
    -117,
    -111,
    -104,
    -97,
    -91,
    -85,
    -79,
    -73,
    -68,
    -63,
    -58,
    -53,
    -49,
    -45,
    -41,
    -38,
    -35,
    -31,
    -29,
    -26,
    -24,
    -21,
    -19,
    -17,
    -16,
    -14,
    -13,
    -11,
    -10,
    -9,
    -8,
    -7,
    -7,
    -6,
    -5,
    -5,
    -4,
    -4,
    -3,
    -3,
    -2,
    -2,
    -2,
    -2,
    -1,
    -1,
    -1,
    -1,
    -1,
    -1,
)
