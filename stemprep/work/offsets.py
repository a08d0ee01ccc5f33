"""Where the microphones of one song lie against each other within two seconds, found once a file.

Most pairs follow from others: whoever knows how much later a room microphone is than the snare's,
and the snare's than the kick's, need not search for the third. So every file is searched for
against as few others as place it.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from stemprep.timing import (
    SEARCH_RATE_HZ,
    SEARCH_REACH_S,
    SEARCH_WINDOW_S,
    Fits,
    wide_lag,
    window_fits,
)
from stemprep.work.excerpts import Samples, SoundFile, Span, read_spans

MOST_SEARCHES = 4
_CANCELLED = 0.1  # of its channels' power: their mean is no measure of such a file


class Offsets:
    """How much later each file of a job is than others, seconds; grows as it is asked."""

    def __init__(self, root: str, files: Sequence[SoundFile]) -> None:
        self._root, self._files = root, files
        self._late_s = [0.0] * len(files)
        self._frame = list(range(len(files)))
        self._searches = [0] * len(files)
        self._windows: dict[int, list[Samples]] = {}

    def lag_s(self, reference: int, file: int, starts: Sequence[int]) -> float | None:
        """How much later a file is than a reference, to some milliseconds; None: not clear.

        starts: of windows in the reference. Raises what ``read_spans`` raises.
        """
        if self._frame[reference] != self._frame[file]:
            if self._searches[file] >= MOST_SEARCHES:
                return None
            self._searches[file] += 1
            found = wide_lag(self._fits(reference, file, starts))
            if found is None:
                return None
            self._join(reference, file, found.lag_s)
        return self._late_s[file] - self._late_s[reference]

    def _join(self, reference: int, file: int, lag_s: float) -> None:
        """Bring all files that are known beside ``file`` into the frame of the reference."""
        move = self._late_s[reference] + lag_s - self._late_s[file]
        old, new = self._frame[file], self._frame[reference]
        for index, frame in enumerate(self._frame):
            if frame == old:
                self._late_s[index] += move
                self._frame[index] = new

    def _fits(self, reference: int, file: int, starts: Sequence[int]) -> list[Fits]:
        close, other = self._files[reference], self._files[file]
        if reference not in self._windows:
            self._windows[reference] = _narrowed(self._root, close, starts, 0.0)
        places = [same_time(close, other, start) for start in starts]
        heard = _narrowed(self._root, other, places, SEARCH_REACH_S)
        pairs = zip(self._windows[reference], heard, strict=True)
        fits = (window_fits(window, sound) for window, sound in pairs)
        return [each for each in fits if each is not None]


def same_time(reference: SoundFile, file: SoundFile, frame: int) -> Fraction:
    """The frame of a file that has the time of a reference's, by both time references if any."""
    ratio = Fraction(file.format.sample_rate_hz, reference.format.sample_rate_hz)
    gap = Fraction(0)
    if reference.start_samples is not None and file.start_samples is not None:
        gap = reference.start_samples * ratio - file.start_samples
    return frame * ratio + gap


def _narrowed(
    root: str, file: SoundFile, places: Sequence[Fraction | int], reach_s: float
) -> list[Samples]:
    """One channel of each window, with so much around it, at ``SEARCH_RATE_HZ``."""
    import soxr  # loaded where microphones are compared

    rate_hz = file.format.sample_rate_hz
    spans = [_span(place, reach_s, rate_hz) for place in places]
    frames = round((SEARCH_WINDOW_S + 2 * reach_s) * SEARCH_RATE_HZ)
    return [
        _of_length(
            soxr.resample(_one_channel(sound), rate_hz, SEARCH_RATE_HZ, quality="LQ"), frames
        )
        for sound in read_spans(root, file, spans)
    ]


def _span(place: Fraction | int, reach_s: float, rate_hz: int) -> Span:
    start = round(place) - round(reach_s * rate_hz)
    return start, start + round((SEARCH_WINDOW_S + 2 * reach_s) * rate_hz)


def _one_channel(sound: Samples) -> Samples:
    """The mean of all channels; the loudest where they cancel each other."""
    mean = sound.mean(axis=0)
    powers = np.square(sound).sum(axis=1)
    if np.square(mean).sum() < _CANCELLED * powers.mean():
        mean = sound[int(powers.argmax())]
    return np.asarray(mean, dtype=np.float32)


def _of_length(sound: Samples, frames: int) -> Samples:
    return np.pad(sound[:frames], (0, max(frames - len(sound), 0)))
