"""Measure where the files of one song lie in time against each other."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from stemprep.containers import DecodingFault
from stemprep.errors import InputError
from stemprep.model.mic_pairs import ContentLag, MicLag, Relation, Stand
from stemprep.timing import (
    HOP_S,
    Peak,
    SpillLag,
    SpillMeter,
    content_lag,
    content_window_frames,
    is_verdict,
    low_correlation,
    microphone_drift,
    microphone_lag,
    spectrum,
    window_frames,
    window_start,
)
from stemprep.work.excerpts import Samples, SoundFile, Span, is_seekable, mono_blocks, read_spans
from stemprep.work.offsets import Offsets, same_time

_LOST = (InputError, OSError, DecodingFault)
Spectra = npt.NDArray[np.complex64]
_Heard = tuple[list[int], Spectra]
MOST_REFERENCES = 2
_WITHIN_FINE_S = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class MicPairPlan:
    """Indices of two files of a job; is_guess: told only where they are clearly of one source."""

    reference: int
    file: int
    relation: Relation
    stand: Stand = "close"
    is_guess: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MicJob:
    """Microphones of one song, of any rates, below one absolute root folder.

    loud: for each file that is a reference, stretches in which it is loudest.
    search: for these, starts of the windows that are sought within seconds; none: no search.
    """

    root: str
    song: str
    files: tuple[SoundFile, ...]
    pairs: tuple[MicPairPlan, ...]
    loud: Mapping[int, tuple[Span, ...]]
    search: Mapping[int, tuple[int, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ContentJob:
    """Files of one song and rate that may share a signal.

    places: where most of them sound; starts: at which of its samples each file is thought to begin
    on that axis, empty: at 0.
    """

    root: str
    song: str
    files: tuple[SoundFile, ...]
    places: tuple[int, ...]
    starts: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SpillJob:
    """A new track and the mix that it was played to; starts count from their time references.

    parts: where there is no mix, files of the mix's root, rate and start that are added to it.
    """

    root: str
    track: SoundFile
    mix: SoundFile
    mix_root: str | None = None
    parts: tuple[SoundFile, ...] = ()


LagJob = MicJob | ContentJob


def measure_lags(job: LagJob) -> tuple[MicLag, ...] | tuple[ContentLag, ...]:
    """What a job of either kind yields."""
    return measure_microphones(job) if isinstance(job, MicJob) else measure_content(job)


def measure_microphones(job: MicJob) -> tuple[MicLag, ...]:
    """Lag and polarity of every pair; those with a file that is not as it was are left out."""
    heard: dict[int, _Heard] = {}
    for index, stretches in job.loud.items():
        try:
            heard[index] = _reference(job, index, stretches)
        except _LOST:
            continue
    by_file: dict[int, list[MicPairPlan]] = defaultdict(list)
    for pair in job.pairs:
        if pair.reference in heard:
            by_file[pair.file].append(pair)
    found: dict[MicPairPlan, MicLag] = {}
    offsets = Offsets(job.root, job.files)
    for index, pairs in by_file.items():
        try:
            late_s = {pair: _late_s(job, pair, offsets) for pair in pairs}
            found.update(_against_all(job, index, late_s, heard))
        except _LOST:
            continue
    return tuple(
        found[pair]
        for pair in job.pairs
        if pair in found and not (pair.is_guess and found[pair].lag_samples is None)
    )


def _late_s(job: MicJob, pair: MicPairPlan, offsets: Offsets) -> float | None:
    """About how much later the file is, 0 where the fine search reaches; None: not clear."""
    starts = job.search.get(pair.reference, ())
    late_s = offsets.lag_s(pair.reference, pair.file, starts) if starts else 0.0
    return 0.0 if late_s is not None and abs(late_s) < _WITHIN_FINE_S else late_s


def _reference(job: MicJob, index: int, stretches: Sequence[Span]) -> _Heard:
    """Window starts of a close microphone, and its spectra there."""
    file = job.files[index]
    rate_hz = file.format.sample_rate_hz
    frames = window_frames(rate_hz)
    around = [(start - frames, end + frames) for start, end in stretches]
    starts: list[int] = []
    windows: list[Samples] = []
    for sound, (first, _) in zip(read_spans(job.root, file, around), around, strict=True):
        mono = sound.mean(axis=0)
        start = window_start(mono[frames:-frames], first + frames, rate_hz)
        starts.append(start)
        windows.append(mono[start - first : start - first + frames])
    return starts, spectrum(np.array(windows))


def _against_all(
    job: MicJob,
    index: int,
    late_s: Mapping[MicPairPlan, float | None],
    heard: Mapping[int, _Heard],
) -> Iterator[tuple[MicPairPlan, MicLag]]:
    """Pair by pair where places can be sought, else all from one pass over the file.

    late_s: about how much later the file is than the pair's reference; None: no lag is told.
    """
    file = job.files[index]
    pairs = list(late_s)
    for batch in [[pair] for pair in pairs] if is_seekable(file) else [pairs]:
        places = [
            _places(job.files[pair.reference], file, heard[pair.reference][0], late_s[pair] or 0.0)
            for pair in batch
        ]
        sounds = read_spans(job.root, file, [span for each in places for span in each.spans])
        for pair, each in zip(batch, places, strict=True):
            starts, spectra = heard[pair.reference]
            own = _aligned(spectrum(np.array(sounds[: len(spectra)])), each.rests, spectra)
            del sounds[: len(spectra)]
            is_placed = late_s[pair] is not None
            yield (
                pair,
                _mic_lag(job, pair, starts, spectra, own, each.late_samples, is_placed=is_placed),
            )


@dataclass(frozen=True, slots=True)
class _Places:
    """Where a file has the times of another one's windows; rests: by how much they begin early.

    late_samples: by how many of its samples all of them lie later than these times.
    """

    spans: list[Span]
    rests: list[float]
    late_samples: int


def _places(reference: SoundFile, file: SoundFile, starts: Sequence[int], late_s: float) -> _Places:
    """The same times in a file of any rate, by time reference where both have one, or later."""
    rates = file.format.sample_rate_hz, reference.format.sample_rate_hz
    frames = round(window_frames(rates[1]) * Fraction(*rates))
    late_samples = round(late_s * rates[0])
    exact = [same_time(reference, file, start) + late_samples for start in starts]
    begins = [math.floor(place) for place in exact]
    return _Places(
        spans=_windows(begins, frames),
        rests=[float(place - begin) for place, begin in zip(exact, begins, strict=True)],
        late_samples=late_samples,
    )


def _aligned(own: Spectra, rests: Sequence[float], reference: Spectra) -> Spectra:
    """Spectra at exactly the reference's times and frequencies; (windows, channels, bins)."""
    bins, wanted = own.shape[-1], reference.shape[-1]
    if any(rests):
        turns = np.outer(rests, np.arange(bins)) / (2 * (bins - 1))
        own = own * np.exp(2j * np.pi * turns)[:, None, :].astype(np.complex64)
    if bins >= wanted:
        return own[..., :wanted]
    return np.pad(own, ((0, 0), (0, 0), (0, wanted - bins)))


def _unclear(job: MicJob, pair: MicPairPlan) -> MicLag:
    file = job.files[pair.file]
    return MicLag(
        song=job.song,
        reference=job.files[pair.reference].path,
        file=file.path,
        relation=pair.relation,
        sample_rate_hz=file.format.sample_rate_hz,
        stand=pair.stand,
    )


def _mic_lag(
    job: MicJob,
    pair: MicPairPlan,
    starts: Sequence[int],
    reference: Spectra,
    own: Spectra,
    late_samples: int,
    *,
    is_placed: bool,
) -> MicLag:
    """The channel that tells most clearly; ``own`` has the shape (windows, channels, bins).

    late_samples: by how much later than the reference's windows they were read; is_placed: it is
    known that the file lies there.
    """
    file = job.files[pair.file]
    rate_hz = file.format.sample_rate_hz
    heard_hz = job.files[pair.reference].format.sample_rate_hz
    times_s = np.asarray(starts) / heard_hz
    peaks: list[tuple[int, Peak, float | None]] = []
    for channel in range(own.shape[1]):
        peak = microphone_lag(reference, own[:, channel], heard_hz)
        drift = microphone_drift(reference, own[:, channel], times_s, heard_hz)
        if drift is not None:
            peaks.append((channel + 1, drift.first, drift.ppm))
        elif peak is not None and is_verdict(peak):
            peaks.append((channel + 1, peak, None))
    plain = replace(
        _unclear(job, pair),
        low_correlation=None
        if late_samples  # only by some milliseconds, which turn the low end
        else low_correlation(reference, own.mean(axis=1), heard_hz),
    )
    if not peaks or not is_placed:
        return plain
    channel, peak, ppm = max(peaks, key=lambda each: each[1].ratio)
    return replace(
        plain,
        lag_samples=late_samples + peak.lag_samples * rate_hz / heard_hz,
        polarity="inverted" if peak.is_inverted else "same",
        confidence=peak.confidence,
        channel=channel if own.shape[1] > 1 else None,
        drift_ppm=ppm,
    )


def _windows(starts: Sequence[int], frames: int) -> list[Span]:
    return [(start, start + frames) for start in starts]


def measure_content(job: ContentJob) -> tuple[ContentLag, ...]:
    """Which files share a signal with the one that most share it with, and how late it is there.

    The reference itself is among them, with a lag of 0; empty where no two share anything.
    """
    spectra: dict[int, Spectra] = {}
    for index, file in enumerate(job.files):
        frames = content_window_frames(file.format.sample_rate_hz)
        begin = job.starts[index] if job.starts else 0
        own = [place - begin for place in job.places]
        try:
            sounds = read_spans(job.root, file, _windows(own, frames))
        except _LOST:
            continue
        spectra[index] = spectrum(np.array([sound.mean(axis=0) for sound in sounds]))
    stars = [_star(job, index, spectra) for index in list(spectra)[:MOST_REFERENCES]]
    best = max(stars, key=len, default=())
    return best if len(best) > 1 else ()


def _star(
    job: ContentJob, reference: int, spectra: Mapping[int, Spectra]
) -> tuple[ContentLag, ...]:
    found: list[ContentLag] = []
    for index, own in spectra.items():
        file = job.files[index]
        rate_hz = file.format.sample_rate_hz
        peak = content_lag(spectra[reference], own, rate_hz)
        if peak is not None:
            found.append(
                ContentLag(
                    song=job.song,
                    reference=job.files[reference].path,
                    file=file.path,
                    sample_rate_hz=rate_hz,
                    lag_samples=round(peak.lag_samples),
                    likeness=min(abs(peak.height), 1.0),
                    placed_by="time-reference" if job.starts else "file-start",
                )
            )
    return tuple(found)


def measure_spill(job: SpillJob) -> SpillLag | None:
    """How late a track is by the mix that leaks into it, samples of the track.

    None where a file cannot be read any more, or a rate has no blocks of whole samples.
    """
    track_hz, mix_hz = (each.format.sample_rate_hz for each in (job.track, job.mix))
    offset = _offset_s(job)
    skip_track = round(max(-offset, Fraction(0)) * track_hz)
    skip_mix = round(max(offset, Fraction(0)) * mix_hz)
    rest = float(Fraction(skip_mix, mix_hz) - Fraction(skip_track, track_hz) - offset)
    try:
        meter = SpillMeter(track_hz, mix_hz)
        track = _hops(mono_blocks(job.root, job.track), skip_track, int(HOP_S * track_hz))
        mix = _hops(played_to(job), skip_mix, int(HOP_S * mix_hz))
        before: tuple[Samples, Samples] | None = None
        for pair in zip(track, mix, strict=False):
            if before is not None:
                meter.add(*(np.concatenate(both) for both in zip(before, pair, strict=True)))
            before = pair
    except (*_LOST, ValueError):
        return None
    return meter.finish(rest)


def played_to(job: SpillJob) -> Iterator[Samples]:
    """The mix in order, or the sum of it and its parts, one channel, in blocks of any size.

    A part that ends before the mix is silent from there; what is longer is not heard.
    """
    root = job.mix_root or job.root
    others = [_Line(mono_blocks(root, part)) for part in job.parts]
    for block in mono_blocks(root, job.mix):
        total = block.astype(np.float32, copy=True) if others else block
        for other in others:
            part = other.take(len(block))
            total[: len(part)] += part
        yield total


class _Line:
    """Samples that are taken in any lengths from blocks of any length."""

    def __init__(self, blocks: Iterator[Samples]) -> None:
        self._blocks = blocks
        self._held = np.zeros(0, dtype=np.float32)

    def take(self, frames: int) -> Samples:
        """The next samples; fewer at the end."""
        while len(self._held) < frames:
            block = next(self._blocks, None)
            if block is None:
                break
            self._held = np.concatenate([self._held, block])
        taken, self._held = self._held[:frames], self._held[frames:]
        return taken


def _offset_s(job: SpillJob) -> Fraction:
    """How much later than the mix the track begins, exact; 0 where a time reference is missing."""
    track, mix = job.track, job.mix
    if track.start_samples is None or mix.start_samples is None:
        return Fraction(0)
    starts = (
        Fraction(each.start_samples or 0, each.format.sample_rate_hz) for each in (track, mix)
    )
    return next(starts) - next(starts)


def _hops(blocks: Iterator[Samples], skip: int, frames: int) -> Iterator[Samples]:
    """Stretches of ``frames`` from frame ``skip`` on; a last, short one is left out."""
    held = np.zeros(0, dtype=np.float32)
    for block in blocks:
        passed = min(skip, len(block))
        skip -= passed
        held = np.concatenate([held, block[passed:]])
        while len(held) >= frames:
            yield held[:frames]
            held = held[frames:]
