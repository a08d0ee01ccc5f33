"""Read the sound around the places of findings: to be drawn closely, and to be heard."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.containers import DecodingFault
from stemprep.dsp.cells import CHUNK_FRAMES
from stemprep.dsp.companding import levels_of
from stemprep.dsp.gating import loudness_from_power
from stemprep.dsp.k_weighting import KWeighting
from stemprep.errors import InputError
from stemprep.model.closeup import Closeup, Excerpt, Stretch
from stemprep.model.finding import Occurrence
from stemprep.units import db_from_ratio, ratio_from_db
from stemprep.work.excerpts import SoundFile, read_spans

NEAR_COLUMNS, WIDE_COLUMNS = 480, 800
NEAR_S, WIDE_S = 0.005, 0.4
"""Beside the place, on both sides: a click of one sample in 10 ms, and in what it was played."""
MAX_NEAR_S, MAX_WIDE_S = 1.0, 4.0
BEFORE_S, MIN_EXCERPT_S, MAX_EXCERPT_S = 0.8, 2.0, 4.0
MAX_LOUDNESS_LUFS = -20.0
"""The loudest 400 ms of what is played (BS.1770-5); a page starts at an unknown monitor level."""
MAX_PEAK_DBFS = -6.0
FADE_IN_S, FADE_OUT_S = 0.15, 0.05
WINDOW_S = 0.4
MAX_HEARD_CHANNELS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where to look, and whether to listen too."""

    spot: Occurrence
    is_heard: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseupJob:
    """The places of one file; root as in the session."""

    root: str
    file: SoundFile
    places: tuple[Place, ...]


def read_closeups(job: CloseupJob) -> tuple[Closeup, ...]:
    """The closeup of each place, in order; none where the file cannot be read any more."""
    spans = [span for place in job.places for span in _spans(place, job.file)]
    try:
        read = iter(read_spans(job.root, job.file, spans))
    except (InputError, OSError, DecodingFault):
        return ()
    found = []
    for place in job.places:
        (near, wide, heard) = _spans(place, job.file)
        channel = min(place.spot.channel or 1, job.file.format.channels)
        found.append(
            Closeup(
                path=job.file.path,
                channel=channel,
                place=place.spot,
                near=_stretch(next(read)[channel - 1], near[0], NEAR_COLUMNS),
                wide=_stretch(next(read)[channel - 1], wide[0], WIDE_COLUMNS),
                excerpt=_excerpt(next(read), heard, channel, job.file.format.sample_rate_hz)
                if place.is_heard
                else None,
            )
        )
    return tuple(found)


def _spans(place: Place, file: SoundFile) -> list[tuple[int, int]]:
    """(start, end) of what is drawn closely, drawn widely, and heard, inside the file."""
    rate_hz, frames = file.format.sample_rate_hz, file.header.frames
    spot = place.spot
    long = spot.end_sample - spot.start_sample
    middle = spot.start_sample + long // 2

    def around(half: int) -> tuple[int, int]:
        begin = max(0, min(middle - half, frames - 2 * half))
        return begin, max(begin + 1, min(begin + 2 * half, frames))

    near = round(min(max(NEAR_S * rate_hz, long), MAX_NEAR_S * rate_hz))
    wide = round(min(max(WIDE_S * rate_hz, 4 * long), MAX_WIDE_S * rate_hz))
    before = round(BEFORE_S * rate_hz)
    heard = round(min(max(MIN_EXCERPT_S * rate_hz, long + 2 * before), MAX_EXCERPT_S * rate_hz))
    begin = max(0, min(spot.start_sample - before, frames - heard))
    last = min(begin + heard, frames) if place.is_heard else begin
    return [around(near), around(wide), (begin, last)]


def _stretch(samples: npt.NDArray[np.float32], start: int, columns: int) -> Stretch:
    step = max(1, -(-samples.size // columns))
    starts = np.arange(0, samples.size, step)
    ends = np.stack(
        [np.minimum.reduceat(samples, starts), np.maximum.reduceat(samples, starts)], axis=1
    )
    return Stretch(start_sample=start, step_samples=step, levels=levels_of(ends).tobytes())


def _excerpt(
    samples: npt.NDArray[np.float32], span: tuple[int, int], channel: int, rate_hz: int
) -> Excerpt:
    """As it sounds, never louder than it is: turned down, softly begun and ended."""
    heard = samples if len(samples) <= MAX_HEARD_CHANNELS else samples[channel - 1 : channel]
    sound = heard.astype(np.float64)
    peak = float(np.abs(sound).max(initial=0.0))
    gain_db = min(
        0.0,
        MAX_LOUDNESS_LUFS - loudest_lufs(sound, rate_hz),
        MAX_PEAK_DBFS - (db_from_ratio(peak) if peak else -np.inf),
    )
    sound *= ratio_from_db(gain_db)
    for seconds, is_start in ((FADE_IN_S, True), (FADE_OUT_S, False)):
        long = min(round(seconds * rate_hz), sound.shape[1])
        ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(long) / max(long, 1))
        part = sound[:, :long] if is_start else sound[:, sound.shape[1] - long :]
        part *= ramp if is_start else ramp[::-1]
    return Excerpt(
        start_sample=span[0], end_sample=span[1], gain_db=gain_db, flac=_flac(sound, rate_hz)
    )


def loudest_lufs(sound: npt.NDArray[np.float64], rate_hz: int) -> float:
    """Loudness of the loudest 400 ms without gates, channels summed; -inf for silence.

    sound: shape (channels, frames). What is shorter counts as 400 ms.
    """
    frames = sound.shape[1]
    weighted = _weighted(sound, rate_hz)
    energy = np.concatenate([[0.0], np.cumsum((weighted**2).sum(axis=0))])
    window = round(WINDOW_S * rate_hz)
    if frames <= window:
        return loudness_from_power(float(energy[-1]) / window)
    return loudness_from_power(float((energy[window:] - energy[:-window]).max()) / window)


def _weighted(sound: npt.NDArray[np.float64], rate_hz: int) -> npt.NDArray[np.float64]:
    weighting = KWeighting(rate_hz, len(sound), np.float64)
    pieces = [
        weighting.filter(sound[:, start : start + CHUNK_FRAMES]).copy()
        for start in range(0, sound.shape[1], CHUNK_FRAMES)
    ]
    return np.concatenate(pieces, axis=1) if pieces else sound


def _flac(sound: npt.NDArray[np.float64], rate_hz: int) -> bytes:
    """FLAC of 16 bits: every browser plays it (RFC 9639)."""
    import soundfile  # only where something is to be heard

    stream = io.BytesIO()
    soundfile.write(stream, sound.T, rate_hz, format="FLAC", subtype="PCM_16")
    return stream.getvalue()
