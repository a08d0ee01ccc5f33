"""Figures as people read them: levels, times, lengths, formats, counts, lists of files."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence

from stemprep.checks import tell
from stemprep.model.header import AudioFormat
from stemprep.model.words import TruePeakFilter
from stemprep.units import clock_from_samples, time_of_day_from_samples

MAX_LISTED_FILES = 8
UNKNOWN = "not known"

_FILTER_WORDS: dict[TruePeakFilter, str] = {
    "long": "long filter",
    "hann-49": "49-tap filter",
    "annex-2": "BS.1770 annex 2 filter",
}


def level(value: float | None, unit: str) -> str:
    """One decimal with its sign: ``-3.2 dBFS``, ``+0.3 dBTP``; silence ``-inf``; None: not known.

    The sign is kept when the figure rounds to zero: +0.0 is over full scale, -0.0 is under.
    """
    if value is None or math.isnan(value):
        return UNKNOWN
    if value == 0.0:
        return f"0.0 {unit}"
    return f"{value:+.1f} {unit}"


def extent(value: float | None, unit: str) -> str:
    """Write a distance that has no sign, one decimal: ``7.4 LU``."""
    return UNKNOWN if value is None else f"{value:.1f} {unit}"


def true_peak(value: float | None, name: TruePeakFilter) -> str:
    """Write a true peak with the filter that read it: without, it cannot be compared."""
    return f"{level(value, 'dBTP')} ({filter_words(name)})"


def filter_words(name: TruePeakFilter) -> str:
    """Name the interpolation filter."""
    return _FILTER_WORDS[name]


def rate(hz: int) -> str:
    """``44.1 kHz``, ``48 kHz``, ``11.025 kHz``."""
    return tell.rate_name(hz)


def word_length(format_: AudioFormat) -> str:
    """``24-bit``, ``32-bit float``, ``20-bit in 24``."""
    if format_.encoding in ("lossy", "unknown"):
        return format_.encoding if format_.encoding == "lossy" else "unknown encoding"
    words = f"{format_.bit_depth}-bit"
    if format_.encoding == "float":
        return f"{words} float"
    if format_.encoding == "companded":
        return f"{words} companded"
    if format_.container_bits > format_.bit_depth:
        return f"{words} in {format_.container_bits}"
    return words


def channels(count: int) -> str:
    """``mono``, ``stereo``, ``6 channels``."""
    return {1: "mono", 2: "stereo"}.get(count, f"{count} channels")


def format_words(format_: AudioFormat | None) -> str:
    """``WAV, 48 kHz, 24-bit, stereo``."""
    if format_ is None:
        return "not understood"
    parts = (
        format_.container,
        rate(format_.sample_rate_hz),
        word_length(format_),
        channels(format_.channels),
    )
    return ", ".join(parts)


def channel_name(channel: int, count: int | None) -> str:
    """``left`` or ``right`` in a stereo file, "" in a mono one, else ``channel 3``; from 1."""
    return "" if count == 1 else tell.channel_name(channel, count or 0)


def length(frames: int, rate_hz: int | None) -> str:
    """``3:41.200``; in samples where no rate is known."""
    return clock_from_samples(frames, rate_hz) if rate_hz else f"{frames:,} samples"


def start(samples: int | None, rate_hz: int | None) -> str:
    """Write a time reference as clock and samples; None: that the file says nothing."""
    if samples is None:
        return "no time reference"
    clock = time_of_day_from_samples(samples, rate_hz) if rate_hz else length(samples, None)
    return f"{clock} (sample {samples:,})"


def size(size_bytes: int) -> str:
    """Decimal units as disks are sold: ``812 bytes``, ``12.3 MB``."""
    if size_bytes < 1000:
        return plural(size_bytes, "byte")
    value = float(size_bytes)
    for unit in ("kB", "MB", "GB"):
        value /= 1000
        if value < 999.95:
            return f"{value:.1f} {unit}"
    return f"{value / 1000:.1f} TB"


def plural(count: int, noun: str, several: str | None = None) -> str:
    """``1 file``, ``1,200 files``, ``2 mixes`` (``several`` where an s does not do)."""
    return tell.count_of(count, noun) if several is None or count == 1 else f"{count:,} {several}"


def tally(values: Iterable[str]) -> str:
    """``3 mix, 18 stem``: how often each value stands, in order of first appearance."""
    return ", ".join(f"{count} {value}" for value, count in Counter(values).items())


def and_list(items: Sequence[str]) -> str:
    """Join to ``a``, ``a and b``, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def file_list(paths: Sequence[str]) -> str:
    """The first ``MAX_LISTED_FILES`` paths, and how many more there are."""
    more = len(paths) - MAX_LISTED_FILES
    shown = ", ".join(paths[:MAX_LISTED_FILES])
    return f"{shown} and {more} more" if more > 0 else shown


def span(low: str, high: str) -> str:
    """One figure where both are the same, else ``low to high``."""
    return low if low == high else f"{low} to {high}"
