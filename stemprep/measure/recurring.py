"""Clicks that come back with the sound they stand in: part of it, and no accident.

A drum machine's sample with a click in it, a gate that cuts every stroke of a loop: wherever that
sound comes, the click comes at the same place of it. What is compared is the level of the 20 ms
on either side, in steps of 2.5 ms. A sound that stays at one level has no places to tell apart.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from stemprep.dsp.prediction import Signal
from stemprep.model.facts import ClickFacts

Levels = npt.NDArray[np.float64]

STEP_S = 0.0025
STEPS = 8  # on either side
APART = 64  # samples next to the click that it may reach into
SILENT = 1e-12
MIN_RANGE_DB = 10.0
MAX_DIFFERENCE_DB = 1.2  # root of the mean square; noise of a step reads 0.6 dB apart
MAX_HEIGHT_DIFFERENCE_DB = 3.0
SAME_TIME_S = 0.05
MOST_COMPARED = 128  # of each: bounds the time for sound that crackles


def levels_around(sound: Signal, start: int, end: int, rate_hz: int) -> Levels:
    """Levels in dB before ``start`` and behind ``end``, shape (2 * STEPS,), mean taken out."""
    step = max(1, round(STEP_S * rate_hz))
    edges = np.arange(STEPS + 1) * step
    sides = np.concatenate([(start - APART - edges)[::-1], end + APART + edges])
    running = np.concatenate([[0.0], np.cumsum(np.square(sound))])
    sides = np.clip(sides, 0, sound.size)
    sums = np.delete(np.diff(running[sides]), STEPS)
    sizes = np.maximum(np.delete(np.diff(sides), STEPS), 1)
    levels = 10 * np.log10(np.maximum(sums, 0.0) / sizes + SILENT)
    return np.asarray(levels - levels.mean())


def recurrences(clicks: Sequence[ClickFacts], around: Sequence[Levels], rate_hz: int) -> list[int]:
    """How many others, of the first MOST_COMPARED, stand in the same sound and are as high.

    One value a click; one at the same time in another channel is the same click.
    """
    if not clicks:
        return []
    others = clicks[:MOST_COMPARED]
    levels = np.stack(around[:MOST_COMPARED])
    heights_db = np.array([other.height_db for other in others])
    starts = np.array([other.start for other in others])
    counts = []
    for click, own in zip(clicks, around, strict=True):
        is_same = np.sqrt(np.square(levels - own).mean(axis=1)) <= MAX_DIFFERENCE_DB
        is_same &= np.abs(heights_db - click.height_db) <= MAX_HEIGHT_DIFFERENCE_DB
        is_same &= np.abs(starts - click.start) > SAME_TIME_S * rate_hz
        is_placed = float(np.ptp(own)) >= MIN_RANGE_DB
        counts.append(int(np.count_nonzero(is_same)) if is_placed else 0)
    return counts
