"""How the two channels of a stereo file relate, over all and over time."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import SEGMENT_FRAMES, Chunk, Floats, segment_energies
from stemprep.dsp.scratch import Scratch
from stemprep.measure.power import Power
from stemprep.model.facts import StereoFacts
from stemprep.units import db_from_power, db_from_ratio

# About a third of a second: several periods of the lowest notes.
WINDOW_S = 0.35
MOST_SEGMENTS = 32  # of a window: as many as a chunk of two channels has
SOUNDING = 1e-6  # mean square, -60 dBFS RMS: a side below counts as not sounding
STEPS = 200  # of correlation, from -1 to 1
# What is wide without being opposed stays about 0 (common practice, no source).
OPPOSED = -0.5
BATCH = 16  # chunks at a time
# Lasting: a wrong wire is wrong from begin to end, an effect comes and goes.
MOST_OF_THE_TIME = 0.9


class Stereo:
    """Sum and difference of two channels, each squared on its own.

    A cancellation of 100 dB is still exact that way; from <L,R> alone it would drown in the
    rounding of two large numbers.
    """

    def __init__(self, rate_hz: int) -> None:
        self._sum_squares = 0.0
        self._difference_squares = 0.0
        self._difference_peak = 0.0
        self._scratch = Scratch()
        self._over_time = OverTime(rate_hz)

    def add(self, chunk: Chunk) -> None:
        """Chunk of exactly two channels."""
        left, right = chunk.samples
        mixed = self._scratch.array((2, left.size), left.dtype)
        np.add(left, right, out=mixed[0])
        difference = np.subtract(left, right, out=mixed[1])
        highest, lowest = float(difference.max()), float(difference.min())
        self._difference_peak = max(self._difference_peak, highest, -lowest)
        both, apart = energies = segment_energies(mixed)
        sum_square, difference_square = energies.sum(axis=1, dtype=np.float64).tolist()
        self._sum_squares += sum_square
        self._difference_squares += difference_square
        is_opposed = difference_square > sum_square
        self._over_time.add(chunk, both, apart, is_opposed=is_opposed)

    def facts(self, power: Power) -> StereoFacts:
        """Readings over everything added; ``power`` has seen the same chunks."""
        left, right = (float(square) for square in power.squares)
        loudest = max(left, right)
        product = math.sqrt(left) * math.sqrt(right)
        cross = (self._sum_squares - self._difference_squares) / 4
        return StereoFacts(
            correlation=min(1.0, max(-1.0, cross / product)) if product else None,
            is_identical=self._difference_peak == 0.0,
            difference_peak_dbfs=db_from_ratio(self._difference_peak),
            mono_sum_change_db=(
                db_from_power(self._sum_squares / 2 / (left + right)) if loudest else None
            ),
            out_of_phase_share=self._over_time.share_below(OPPOSED),
            lasting_correlation=self._over_time.lasting(),
        )


class OverTime:
    """The correlation of every third of a second in which both sides sound.

    Of opposed windows the treble is looked at too, by first differences (in chunks that are
    opposed on the whole; elsewhere it counts as unrelated): the bass of two microphones on one
    drum is opposed as well where one of them is inverted, and two sides of one signal are opposed
    in everything.
    """

    def __init__(self, rate_hz: int) -> None:
        wanted = WINDOW_S * rate_hz / SEGMENT_FRAMES
        self._segments = min(2 ** max(round(math.log2(wanted)), 0), MOST_SEGMENTS)
        self._least = SOUNDING * self._segments * SEGMENT_FRAMES
        self._plain = np.zeros(STEPS + 1, dtype=np.int64)
        self._whole = np.zeros(STEPS + 1, dtype=np.int64)
        self._held: list[tuple[Floats, Floats, Floats]] = []

    def add(self, chunk: Chunk, both: Floats, apart: Floats, *, is_opposed: bool) -> None:
        """Whole windows of one chunk.

        both, apart: energies of the segments of sum and difference.
        is_opposed:  whether the difference has more; the treble of others is not looked at.
        """
        used = chunk.frames // SEGMENT_FRAMES // self._segments * self._segments
        part = (chunk.energies[:, :used], both[:used], apart[:used])
        if is_opposed and used:
            self._tally(*part, chunk.samples)
            return
        self._held.append(part)
        if len(self._held) == BATCH:
            self._flush()

    def _flush(self) -> None:
        """Few calls for many chunks: hardly any sound is opposed."""
        if self._held:
            sides, both, apart = zip(*self._held, strict=True)
            self._held = []
            self._tally(np.concatenate(sides, axis=1), np.hstack(both), np.hstack(apart), None)

    def _tally(self, sides: Floats, both: Floats, apart: Floats, samples: Floats | None) -> None:
        """Count the windows; samples: where there is a treble to look at."""
        part = np.concatenate([sides, (both - apart)[None]])
        sums = part.reshape(3, -1, self._segments).sum(axis=2, dtype=np.float64)
        places = np.flatnonzero((sums[:2] > self._least).all(axis=0))
        if not places.size:
            return
        left, right = np.sqrt(sums[:2, places])
        plain = sums[2, places] / 4 / left / right
        whole = plain.copy()
        for number in np.flatnonzero(plain < OPPOSED):
            whole[number] = max(plain[number], self._treble(samples, int(places[number])))
        np.add.at(self._plain, _steps(plain), 1)
        np.add.at(self._whole, _steps(whole), 1)

    def _treble(self, samples: Floats | None, window: int) -> float:
        """The treble's correlation in one window; taken as unrelated where it is not at hand."""
        if samples is None:
            return 0.0
        frames = self._segments * SEGMENT_FRAMES
        return _treble_correlation(samples[:, window * frames : (window + 1) * frames])

    def share_below(self, correlation: float) -> float | None:
        """Share of the time in which both sides sound; None where they never do."""
        self._flush()
        total = int(self._plain.sum())
        limit = int(_steps(np.array([correlation]))[0])
        return int(self._plain[:limit].sum()) / total if total else None

    def lasting(self) -> float | None:
        """What bass and treble stay at or below for nine tenths of the time, to 0.01."""
        self._flush()
        running = np.cumsum(self._whole)
        if not running[-1]:
            return None
        step = int(np.searchsorted(running, math.ceil(MOST_OF_THE_TIME * running[-1])))
        return round(step * 2 / STEPS - 1, 2)


def _steps(correlations: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """The nearest of the steps of 0.01."""
    scaled = np.rint((correlations + 1) * (STEPS / 2)).astype(np.int64)
    return np.asarray(np.clip(scaled, 0, STEPS))


def _treble_correlation(samples: Floats) -> float:
    """Correlation of the differences from one sample to the next; 0 where a side has none."""
    slopes = np.diff(samples.astype(np.float64))
    left, right = (float(side @ side) for side in slopes)
    return float(slopes[0] @ slopes[1]) / math.sqrt(left * right) if left and right else 0.0
