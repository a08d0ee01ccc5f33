"""Where the files of a song start by their time references, and which start is the common one."""

from __future__ import annotations

from collections import Counter

from stemprep.checks.song import Heard, Song, is_stamped, measure_givers
from stemprep.units import convert_samples


def stamped(song: Song) -> tuple[Heard, ...]:
    """Return the compared files that carry a time reference; zero is none where others have one."""
    return tuple(item for item in song.compared if is_stamped(item, song.compared))


def common_start(song: Song) -> Heard | None:
    """Return the first file with the start that most have, the earliest of several; or None."""
    rate_hz = song.facts.sample_rate_hz
    givers = measure_givers(stamped(song))
    if rate_hz is None or not givers:
        return None

    def start(item: Heard) -> int:
        return convert_samples(item.start_samples or 0, item.format.sample_rate_hz, rate_hz)

    counts = Counter(start(item) for item in givers)
    return min(givers, key=lambda item: (-counts[start(item)], start(item)))


def common_length(song: Song) -> Heard | None:
    """Return the first file with the length that most have, the longest of several; or None."""
    givers = measure_givers(song.compared)
    if not givers:
        return None
    counts = Counter(item.seconds for item in givers)
    return min(givers, key=lambda item: (-counts[item.seconds], -item.seconds))


def is_common_length(item: Heard, song: Song) -> bool:
    """Tell whether the file is as long as most of the song, within a sample across rates."""
    reference = common_length(song)
    return reference is not None and length_gap(item, reference) == 0


def length_gap(item: Heard, reference: Heard) -> int:
    """How many samples of its own a file is longer; within one of another rate counts as none."""
    gap = (item.seconds - reference.seconds) * item.format.sample_rate_hz
    if item.format.sample_rate_hz == reference.format.sample_rate_hz:
        return int(gap)
    rate_ratio = max(1.0, item.format.sample_rate_hz / reference.format.sample_rate_hz)
    return 0 if abs(gap) < rate_ratio else round(gap)
