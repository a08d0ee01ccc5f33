"""Where the files of a song start and end: the common start, the common length, and the gaps."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from stemprep.checks.heard import Heard, measure_givers
from stemprep.units import convert_samples


def stamped_among(compared: Sequence[Heard]) -> tuple[Heard, ...]:
    """Return the files that carry a time reference; zero is none where others have one."""
    timed = [item for item in compared if item.start_samples is not None]
    is_zero_meant = not any(item.start_samples for item in timed)
    return tuple(item for item in timed if is_zero_meant or item.start_samples)


def start_at(item: Heard, rate_hz: int) -> int:
    """Return the time reference at another rate; 0 for a file that has none."""
    return convert_samples(item.start_samples or 0, item.format.sample_rate_hz, rate_hz)


def common_start_of(stamped: Sequence[Heard], rate_hz: int) -> Heard | None:
    """Return the first file with the start that most have, the earliest of several; or None."""
    givers = measure_givers(stamped)
    counts = Counter(start_at(item, rate_hz) for item in givers)

    def rank(item: Heard) -> tuple[int, int]:
        start = start_at(item, rate_hz)
        return -counts[start], start

    return min(givers, key=rank, default=None)


def common_length_of(compared: Sequence[Heard]) -> Heard | None:
    """Return the first file with the length that most have, the longest of several; or None."""
    givers = measure_givers(compared)
    counts = Counter(item.seconds for item in givers)
    return min(givers, key=lambda item: (-counts[item.seconds], -item.seconds), default=None)


def length_gap(item: Heard, reference: Heard) -> int:
    """Return by how many of its own samples a file is longer; 0 within one of another rate."""
    gap = (item.seconds - reference.seconds) * item.format.sample_rate_hz
    if item.format.sample_rate_hz == reference.format.sample_rate_hz:
        return int(gap)
    rate_ratio = max(1.0, item.format.sample_rate_hz / reference.format.sample_rate_hz)
    return 0 if abs(gap) < rate_ratio else round(gap)
