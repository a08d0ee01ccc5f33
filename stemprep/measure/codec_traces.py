"""Whether the sound went through a codec that loses: what its quantisation has left.

A codec takes sound apart frame by frame and sets small coefficients to zero. Whoever takes the
decoded sound apart again by the same transform, from the same sample on, finds those zeros; one
sample beside it finds none. So each transform is tried at every position of a frame at once, and
the share of coefficients near zero at the best position held against the next best.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from stemprep.dsp import codec_transforms
from stemprep.dsp.cells import SEGMENT_FRAMES, Chunk
from stemprep.dsp.codec_transforms import Transform
from stemprep.model.facts import CodecTraceFacts

Counts = npt.NDArray[np.float64]
Samples = npt.NDArray[np.float32]

SEGMENTS: Final = 8  # of a place that is looked at, enough for some dozens of codec frames
FRAMES: Final = SEGMENTS * SEGMENT_FRAMES
PLACES: Final = 6  # of which the loudest are looked at first
LEAST: Final = 1e-6  # mean square, -60 dBFS: fainter sound is mostly rounding
MOST: Final = 1e4  # mean square, +40 dBFS: no decoder gives that, and float32 has to hold it
LOWEST_RATE_HZ: Final = 32_000  # below, no codec was tried
OPUS_RATE_HZ: Final = 48_000  # RFC 6716: it codes at that rate alone

NEAR_ZERO: Final = 0.03  # of a coefficient's own median over all positions
MEDIAN_OF_MEAN: Final = 0.85  # of the size of normal coefficients
ROUNDING: Final = 1.5  # deviations of the rounding noise that still count as zero
MOST_NEAR_ZERO: Final = 0.3  # of the median: above, noise hides what was zero
LEAST_LINES: Final = 6  # that rounding has left: fewer are no share

FIRST_LOOK: Final = {
    codec_transforms.aac: (codec_transforms.aac, codec_transforms.aac_sine),
    codec_transforms.vorbis: (codec_transforms.vorbis,),
    codec_transforms.mp3: (codec_transforms.mp3,),
    codec_transforms.opus: (codec_transforms.opus,),
}
"""What a first look is taken with, and what a closer one."""
# A first look costs little and lets much through: some places, every third line, low limits.
FIRST_STRETCHES: Final = 2
# Every third: neighbours say much the same.
FIRST_LINES: Final = slice(None, None, 3)
FIRST_RATIO: Final = 1.1  # of the closer look's limit about two thirds
FIRST_SIGMAS: Final = 3.5  # some of a thousand positions reach that by chance
MOST_GRIDS: Final = 2  # of a family that are looked at closely: bounds the time
CONTROLS: Final = (-211, -67, 31, 149)  # samples off the grid, where there is nothing to find
LEAST_RATIO: Final = 1.6  # of the best position's share to a usual one, on the tuning half
MORE_THAN_CHANCE: Final = 1.3  # of a stretch that is named as a place
CLEAR_RATIO: Final = 1.05  # between the two best families, in deviations
# Said of a trace that only just reaches the limits, and of the clearest.
LEAST_CONFIDENCE: Final = 0.9
# Nothing heard in sound alone is certain.
MOST_CONFIDENCE: Final = 0.99
UNCLEAR: Final = "a lossy codec"


@dataclass(frozen=True, slots=True)
class _Grid:
    """One grid looked at closely; strength: from 1 on a trace."""

    transform: Transform
    offset: int
    share: float
    typical_share: float
    sigmas: float
    places: tuple[int, ...]

    @property
    def ratio(self) -> float:
        return self.share / max(self.typical_share, 1e-3)

    @property
    def strength(self) -> float:
        return min(self.ratio / LEAST_RATIO, self.sigmas / self.transform.least_sigmas)


@dataclass(frozen=True, slots=True)
class _Stretch:
    start: int
    samples: Samples


class CodecTraces:
    """Keeps the loudest stretches of the loudest channel there, and looks into them at the end."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._powers = np.full(PLACES, LEAST * FRAMES)
        self._stretches: list[_Stretch | None] = [None] * PLACES
        self._position = 0

    def add(self, chunk: Chunk) -> None:
        """Look at the loudest stretch of one chunk."""
        start, self._position = self._position, self._position + chunk.frames
        count = chunk.frames // FRAMES
        if not count or self._rate_hz < LOWEST_RATE_HZ:
            return
        energies = chunk.energies[:, : count * SEGMENTS].reshape(len(chunk.energies), count, -1)
        powers = energies.sum(axis=2)
        channel, place = divmod(int(powers.argmax()), count)
        faintest = int(self._powers.argmin())
        if self._powers[faintest] < powers[channel, place] <= MOST * FRAMES:
            at = place * FRAMES
            samples = chunk.samples[channel, at : at + FRAMES].astype(np.float32)
            self._powers[faintest] = powers[channel, place]
            self._stretches[faintest] = _Stretch(start + at, samples)

    def facts(self, step: float) -> CodecTraceFacts | None:
        """What the stretches show; step: of the samples' quantisation, full scale 1."""
        ordered = [self._stretches[place] for place in np.argsort(-self._powers)]
        kept = [stretch for stretch in ordered if stretch is not None]
        return None if not kept else traces_in(kept, self._rate_hz, step / 12**0.5)


def traces_in(stretches: list[_Stretch], rate_hz: int, noise: float) -> CodecTraceFacts | None:
    """Look for every family briefly, and closely where one may be; stretches: loudest first."""
    found = [
        grid
        for first, closer in FIRST_LOOK.items()
        if first is not codec_transforms.opus or rate_hz == OPUS_RATE_HZ
        for offset in _possible_offsets(stretches[:FIRST_STRETCHES], first, noise)
        for make in closer
        for grid in _grids(stretches, make, offset, noise)
    ]
    best = max(found, key=lambda grid: grid.strength, default=None)
    if best is None or best.strength < 1:
        return None
    others = [grid.sigmas for grid in found if grid.transform.name != best.transform.name]
    is_clear = best.sigmas >= CLEAR_RATIO * max(others, default=0.0)
    return CodecTraceFacts(
        family=best.transform.name if is_clear else UNCLEAR,
        frame_samples=best.transform.hop,
        offset_samples=best.offset,
        zero_share=best.share,
        typical_share=best.typical_share,
        confidence=min(MOST_CONFIDENCE, LEAST_CONFIDENCE + 0.1 * (best.strength - 1)),
        places=best.places,
    )


def _possible_offsets(
    stretches: list[_Stretch], make: Callable[[], Transform], noise: float
) -> list[int]:
    """The best positions of a frame that stand out a little: together, and in each stretch."""
    filters = _filters(make)
    looks = (_counts(stretch, filters, noise, FIRST_LINES) for stretch in stretches)
    all_counts = [counts for counts in looks if counts is not None]
    if len(all_counts) > 1:
        all_counts.append(np.sum(all_counts, axis=0))
    leads: dict[int, float] = {}
    for counts in all_counts:
        offset, ratio, sigmas = _lead_of(counts)
        if ratio >= FIRST_RATIO and sigmas >= FIRST_SIGMAS:
            leads[offset] = max(ratio, leads.get(offset, 0.0))
    return sorted(leads, key=lambda offset: -leads[offset])[:MOST_GRIDS]


def _grids(
    stretches: list[_Stretch], make: Callable[[], Transform], offset: int, noise: float
) -> list[_Grid]:
    """One grid over all stretches, and over the one that shows it best: some codecs shift it."""
    filters = _filters(make)
    looks = [_look(stretch, filters, offset, noise) for stretch in stretches]
    seen = [look for look in looks if look.seen]
    if not seen:
        return []
    single = max(seen, key=lambda look: look.zeros - look.expected)
    return [_grid_of(filters.transform, offset, part) for part in (seen, [single])]


@dataclass(frozen=True, slots=True)
class _Look:
    """Coefficients near zero on a grid, how many chance would give, and how many were looked at."""

    start: int
    zeros: int = 0
    expected: float = 0.0
    seen: int = 0


def _grid_of(transform: Transform, offset: int, looks: list[_Look]) -> _Grid:
    zeros = sum(look.zeros for look in looks)
    expected = sum(look.expected for look in looks)
    seen = sum(look.seen for look in looks)
    return _Grid(
        transform=transform,
        offset=offset,
        share=zeros / seen,
        typical_share=expected / seen,
        sigmas=float((zeros - expected) / (expected + 1.0) ** 0.5),
        places=tuple(
            sorted(look.start for look in looks if look.zeros > MORE_THAN_CHANCE * look.expected)
        ),
    )


def _look(stretch: _Stretch, filters: _Filters, offset: int, noise: float) -> _Look:
    hop, length = filters.transform.hop, filters.taps.shape[1]
    samples = _emphasised(stretch.samples, filters.transform)
    first = (offset - stretch.start) % hop
    reach = max(map(abs, CONTROLS))
    first += hop if first < reach else 0
    starts = np.arange(first, len(samples) - length - reach, hop)
    if not len(starts):
        return _Look(stretch.start)
    windows = np.lib.stride_tricks.sliding_window_view(samples, length)
    rows = [windows[starts + shift] for shift in (0, *CONTROLS)]
    sizes = np.abs(np.concatenate(rows) @ filters.taps.T).reshape(len(rows), len(starts), -1)
    typical = MEDIAN_OF_MEAN * sizes[1:].mean(axis=(0, 1))
    floor = _floor(samples, filters.transform, noise) * filters.gains
    limits = np.maximum(NEAR_ZERO * typical, ROUNDING * floor)
    near = (sizes < limits)[:, :, limits < MOST_NEAR_ZERO * typical]
    if near.shape[2] < LEAST_LINES:
        return _Look(stretch.start)
    expected = float(near[1:].sum()) / len(CONTROLS)
    return _Look(stretch.start, int(near[0].sum()), expected, near[0].size)


def _emphasised(samples: Samples, transform: Transform) -> Samples:
    if not transform.emphasis:
        return samples
    return np.append(samples[:1], samples[1:] - np.float32(transform.emphasis) * samples[:-1])


def _floor(samples: Samples, transform: Transform, noise: float) -> float:
    return max(noise, transform.floor * float(np.abs(samples).max()))


@dataclass(frozen=True, slots=True, eq=False)
class _Filters:
    transform: Transform
    taps: Samples
    spectra: npt.NDArray[np.complex64]
    gains: npt.NDArray[np.float64]
    frames: int


@cache
def _filters(make: Callable[[], Transform]) -> _Filters:
    transform = make()
    taps = transform.taps
    spectra = np.conj(np.fft.rfft(taps, FRAMES)).astype(np.complex64)
    frames = (FRAMES - taps.shape[1] + 1) // transform.hop
    return _Filters(
        transform, taps.astype(np.float32), spectra, np.sqrt(np.square(taps).sum(axis=1)), frames
    )


def _counts(stretch: _Stretch, filters: _Filters, noise: float, lines: slice) -> Counts | None:
    """How many coefficients are near zero at each position of a frame, counted from sample 0."""
    transform = filters.transform
    samples = _emphasised(stretch.samples, transform)
    spectrum = np.fft.rfft(samples)
    floor = _floor(samples, transform, noise)
    reach = filters.frames * transform.hop
    marks = np.zeros(reach, np.uint8)
    used = 0
    for response, gain in zip(filters.spectra[lines], filters.gains[lines], strict=True):
        values = np.abs(np.fft.irfft(spectrum * response)[:reach])
        typical = MEDIAN_OF_MEAN * float(values.mean())
        limit = max(NEAR_ZERO * typical, ROUNDING * floor * gain)
        if limit < MOST_NEAR_ZERO * typical:
            marks += values < limit
            used += 1
    counts = marks.reshape(filters.frames, -1).sum(axis=0).astype(np.float64)
    return None if used < LEAST_LINES else np.roll(counts, stretch.start % transform.hop)


def _lead_of(counts: Counts) -> tuple[int, float, float]:
    """The best position; its count over the median, against the next best's and in deviations."""
    median = float(np.median(counts))
    best = int(counts.argmax())
    others = np.delete(counts, [(best + beside) % len(counts) for beside in (-1, 0, 1)])
    highest, second = float(counts[best]) - median, float(others.max()) - median
    return best, highest / max(second, 1.0), highest / (median + 1.0) ** 0.5
