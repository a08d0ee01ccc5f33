"""A click from the tempo map: a short decaying tone on every beat, louder and higher on bar lines.

Each tick begins with its highest sample, on the sample that the tempo map gives the beat: what is
recorded from it tells a room's own offset to the sample. Between ticks there is digital silence.
Pitches, length and levels are common practice; no standard names any.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.prepare.stream import Planar
from stemprep.timeline import SongTimeline
from stemprep.units import ratio_from_db

BAR_DBFS, BEAT_DBFS = -12.0, -18.0
"""Peak of the first beat of a bar, and of the others."""
BAR_HZ, BEAT_HZ = 1_500, 1_000
TICK_S = 0.03
_DECAY_S = 0.006
_BLOCK_FRAMES = 65_536


@dataclass(frozen=True, slots=True)
class Tick:
    """One beat of the click: its first sample, and whether it begins a bar."""

    sample: int
    is_accented: bool


def ticks_between(timeline: SongTimeline, start: int, end: int) -> Iterator[Tick]:
    """Yield every beat from ``start`` up to before ``end``, samples as the timeline counts them.

    Needs bars. A beat that a change of meter cuts off is still one; none sounds twice.
    """
    tempo_map = timeline.tempo_map
    assert tempo_map is not None, "asked for a click without a tempo map"
    bar = timeline.bar_beat_at(start).bar
    while (line := timeline.sample_of(bar)) < end:
        following = timeline.sample_of(bar + 1)
        for beat in range(1, tempo_map.meter_of(bar).beats + 1):
            sample = line if beat == 1 else timeline.sample_of(bar, beat)
            if start <= sample < min(end, following):
                yield Tick(sample, beat == 1)
        bar += 1


def click_blocks(ticks: Sequence[Tick], frames: int, rate_hz: int) -> Iterator[Planar]:
    """Yield the click as planar blocks of one channel, float64, full scale = 1.0.

    ticks: in order, samples counted from the first frame. A tick ends where the next begins.
    """
    sounds = {accent: tick_sound(rate_hz, is_accented=accent) for accent in (True, False)}
    lengths = [
        min(later.sample - tick.sample, sounds[tick.is_accented].shape[0])
        for tick, later in zip(ticks, [*ticks[1:], Tick(frames, False)], strict=True)
    ]
    first = 0
    for begin in range(0, frames, _BLOCK_FRAMES):
        block = np.zeros((1, min(_BLOCK_FRAMES, frames - begin)))
        end = begin + block.shape[1]
        while first < len(ticks) and ticks[first].sample + lengths[first] <= begin:
            first += 1
        number = first
        while number < len(ticks) and ticks[number].sample < end:
            tick, at = ticks[number], ticks[number].sample - begin
            sound = sounds[tick.is_accented][: lengths[number]]
            kept = sound[max(0, -at) : max(0, block.shape[1] - at)]
            block[0, max(0, at) : max(0, at) + kept.shape[0]] = kept
            number += 1
        yield block


def tick_sound(rate_hz: int, *, is_accented: bool) -> npt.NDArray[np.float64]:
    """One tick: a cosine that decays from its peak at the first sample and ends at zero."""
    time = np.arange(math.ceil(TICK_S * rate_hz)) / rate_hz
    peak = ratio_from_db(BAR_DBFS if is_accented else BEAT_DBFS)
    tone = np.cos(2 * np.pi * (BAR_HZ if is_accented else BEAT_HZ) * time)
    return peak * tone * np.exp(-time / _DECAY_S) * (1 - time / TICK_S)
