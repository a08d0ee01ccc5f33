"""A click in a window of sound: where the sound around does not foretell what comes.

Linear prediction is fitted without the suspect; a handful of samples, made anew from both sides,
must leave an error like the one around. A step, an attack or a crackle does not. A gate that cuts
a sound off leaves a jump that looks like a click, but hardly any sound on its other side.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES
from stemprep.dsp.prediction import Signal, error_filter, interpolated, prediction_error
from stemprep.units import ratio_from_db

# Past samples that foretell the next; all windows and margins here are sized by it.
ORDER = 32
# Samples made anew at most, as the manual of the check says.
LONGEST = 64
OVER_LONGEST = 4  # what is read longer by more is a sound of its own
# Tried in turn, each some 1.4 times the one before: the shortest that mends is taken.
LENGTHS = (1, 2, 3, 4, 6, 8, 11, 16, 23, 32, 45, 64)
# Of the usual error around; one of two million samples of Gaussian noise is as far off.
MIN_SIGMAS = 5.0
# Times the largest error elsewhere in the window: sound that crackles is left alone.
OVER_ERROR = 1.5
# Times the largest error elsewhere: what is left after mending may be that much.
NORMAL = 1.3
LEAST_PART = 0.1  # of what was added: less at its ends is the sound itself
# Of the sound around: what lies lower is hidden by it; no source.
MIN_HEIGHT = ratio_from_db(-30.0)
MOST_CHANGE = 5.0  # of the usual error from before to behind: more is an onset
OVER_ONSET = 25.0  # of the usual error behind: no onset jumps that high
LEAST_ERROR = 0.02  # of the click's: what is left below is gone
# Samples: up to here a click may be lower than the sound around it.
SHORT = 8
# Samples either side from which the usual error is read.
BESIDE = 256
MARGIN = LONGEST + ORDER + CELL_FRAMES
NEAR_GATE = ratio_from_db(20.0)  # in 12 ms; what a gate cuts may ring in a filter behind it
FAR_GATE = ratio_from_db(30.0)  # in 25 ms; no sound falls that far by itself
HIGHEST_GATE = ratio_from_db(5.0)  # its jump is as high as the sound it cuts, and a little more


class Disturbance(NamedTuple):
    """One click in a window.

    at, length: in samples of the window; height: largest sample of what was added against the
    largest around; sigmas: largest prediction error in deviations of the error around.
    """

    at: int
    length: int
    height: float
    sigmas: float


def click_in(sound: Signal, cell: int) -> Disturbance | None:
    """Look for a click in the cell from sample ``cell`` on; None where nothing is a click."""
    first, last = cell - MARGIN, cell + CELL_FRAMES + MARGIN
    if first < 4 * ORDER or last > sound.size - 4 * ORDER:
        return None
    taps = error_filter([sound[:first], sound[last:]], ORDER)
    error = np.concatenate([np.zeros(ORDER), prediction_error(sound, taps)])
    size = np.abs(error)
    outside = np.concatenate([size[ORDER:first], size[last + ORDER :]])
    usual, most = _middle(outside) / 0.6745, float(outside.max())
    inside = size[first:last]
    peak = float(inside.max())
    if peak < MIN_SIGMAS * usual or peak < OVER_ERROR * most or not usual:
        return None
    before = _middle(size[max(0, first - BESIDE) : first])
    behind = _middle(size[last : last + BESIDE])
    is_onset = max(before, behind) > MOST_CHANGE * min(before, behind)
    if is_onset and peak < OVER_ONSET * max(before, behind):
        return None
    limit = max(NORMAL * most, LEAST_ERROR * peak)
    loud = np.flatnonzero(inside > limit) + first
    return _shortest(sound, taps, loud, limit, peak / usual)


def _shortest(
    sound: Signal, taps: Signal, loud: npt.NDArray[np.int64], limit: float, sigmas: float
) -> Disturbance | None:
    """The fewest samples that, made anew, leave no error over ``limit``."""
    start, reach = int(loud[0]), int(loud[-1]) - int(loud[0]) + 1 - ORDER
    usual = max(np.abs(sound[: start - SHORT]).max(), np.abs(sound[start + LONGEST :]).max())
    is_high = np.abs(sound[start : start + LONGEST]).max() >= usual
    lengths = [length for length in LENGTHS if reach <= length and (is_high or length <= SHORT)]
    # What the longest stretch does not mend, no shorter one does: most suspects end here.
    if not lengths or not _mended(sound, taps, start, lengths[-1], limit)[0]:
        return None
    for length in lengths:
        is_mended, at, added = _mended(sound, taps, start, length, limit)
        if not is_mended:
            continue
        behind = at + added.size
        if not (sound[at - ORDER : at].any() and sound[behind : behind + ORDER].any()):
            return None  # digital silence beside it: the edge of a gate, or of a hole
        size = np.abs(added)
        peak = max(np.abs(sound[:at]).max(), np.abs(sound[at + size.size :]).max())
        height = float(size.max() / peak) if peak else 0.0
        part = np.flatnonzero(size >= LEAST_PART * size.max())
        if height < HIGHEST_GATE and is_gate(sound[:at], sound[behind:]):
            return None
        at, count = at + int(part[0]), int(part[-1] - part[0]) + 1
        is_click = height >= MIN_HEIGHT and count <= LONGEST + OVER_LONGEST
        return Disturbance(at, count, height, sigmas) if is_click else None
    return None


def is_gate(before: Signal, behind: Signal) -> bool:
    """Tell whether sound stops or begins here as by a gate: hardly anything is on one side."""
    left, right = before[:-LONGEST], behind[LONGEST:]
    return _drops(left, right[: right.size // 2], right[right.size // 2 :]) or _drops(
        right[::-1], left[left.size // 2 :], left[: left.size // 2]
    )


def _drops(sound: Signal, near: Signal, far: Signal) -> bool:
    """Whether ``sound``, up to its end, goes on with next to nothing, and then with still less."""
    loud = _power(sound[sound.size // 2 :])
    return loud > NEAR_GATE**2 * _power(near) and loud > FAR_GATE**2 * _power(far)


def _power(sound: Signal) -> float:
    return float(sound @ sound) / max(sound.size, 1)


def _mended(
    sound: Signal, taps: Signal, start: int, length: int, limit: float
) -> tuple[bool, int, Signal]:
    """Whether ``length`` samples, and a few before, made anew leave no error over ``limit``.

    Gives also where they begin, and what the sound had more than they have.
    """
    at = start - length // 8
    made = interpolated(sound, taps, at, start + length - at)
    mended = sound[at - ORDER : start + length + ORDER].copy()
    added = mended[ORDER : ORDER + made.size] - made
    mended[ORDER : ORDER + made.size] = made
    return bool(np.abs(prediction_error(mended, taps)).max() <= limit), at, added


def _middle(values: Signal) -> float:
    """The upper middle value; np.median would load a module for masked arrays."""
    return float(np.partition(values, values.size // 2)[values.size // 2])
