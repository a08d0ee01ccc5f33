"""Every conversion between decibels and ratios, seconds and samples, bits and steps; sizes."""

from __future__ import annotations

import math
from fractions import Fraction

SILENCE_DB = -math.inf


def db_from_ratio(ratio: float) -> float:
    """Amplitude ratio to decibels; 0 gives -inf, a negative or NaN ratio raises ValueError."""
    if ratio > 0.0:
        return 20.0 * math.log10(ratio)
    if ratio == 0.0:
        return SILENCE_DB
    raise ValueError(f"no level in dB for the ratio {ratio}")


def ratio_from_db(level_db: float) -> float:
    """Decibels to an amplitude ratio; -inf gives 0."""
    return 0.0 if level_db == SILENCE_DB else 10.0 ** (level_db / 20.0)


def db_from_power(power: float) -> float:
    """Power (mean square) to decibels; 0 gives -inf."""
    if power > 0.0:
        return 10.0 * math.log10(power)
    if power == 0.0:
        return SILENCE_DB
    raise ValueError(f"no level in dB for the power {power}")


def power_from_db(level_db: float) -> float:
    """Decibels to a power (mean square); -inf gives 0."""
    return 0.0 if level_db == SILENCE_DB else 10.0 ** (level_db / 10.0)


def quantising_step(bit_depth: int) -> float:
    """One least significant bit with full scale = 1.0: ``2 ** (1 - bit_depth)``."""
    return 2.0 ** (1 - bit_depth)


def seconds_from_samples(samples: int, rate_hz: int) -> float:
    """Duration of ``samples`` sample periods at ``rate_hz``, seconds."""
    return samples / rate_hz


def samples_from_seconds(seconds: float, rate_hz: int) -> int:
    """Nearest whole number of samples, halves to even."""
    return round(seconds * rate_hz)


def convert_samples(samples: int, from_hz: int, to_hz: int) -> int:
    """Position at another rate, exact rational arithmetic, halves away from zero."""
    exact = Fraction(samples) * to_hz / from_hz
    sign = -1 if exact < 0 else 1
    return sign * math.floor(abs(exact) + Fraction(1, 2))


def length_after_conversion(frames: int, from_hz: float, to_hz: int) -> int:
    """Frames after rate conversion: ``ceil(frames * to / from)``, so that no sound is cut."""
    return int(-((-frames * to_hz) // Fraction(from_hz)))


def clock_from_samples(samples: int, rate_hz: int) -> str:
    """Position as ``m:ss.mmm`` (or ``h:mm:ss.mmm`` from one hour), to the nearest 1 ms, halves up.

    Lengths in seconds are rounded beside it: truncated, one place read 2.609 s and 0:02.608.
    """
    milliseconds = (samples * 2000 + rate_hz) // (2 * rate_hz)
    seconds, milliseconds = divmod(milliseconds, 1000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    head = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{head}:{seconds:02d}.{milliseconds:03d}"


def time_of_day_from_samples(samples: int, rate_hz: int) -> str:
    """A time reference as ``hh:mm:ss.mmm``, rounded likewise; all fields, as timecode has them."""
    fields = clock_from_samples(samples, rate_hz).split(":")
    hours = fields[0] if len(fields) == 3 else "0"
    return f"{hours:0>2}:{fields[-2]:0>2}:{fields[-1]}"


def size_in_words(size_bytes: int) -> str:
    """Give a size in powers of 1000 with three digits, as disks are sold: ``1.25 GB``."""
    size = float(size_bytes)
    for unit in ("bytes", "kB", "MB", "GB"):
        if size < 999.5:
            return f"{size_bytes} bytes" if unit == "bytes" else f"{size:.3g} {unit}"
        size /= 1000.0
    return f"{size:.3g} TB"
