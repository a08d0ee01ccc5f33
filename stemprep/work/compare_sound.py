"""Compare the sound of an original with what came back of it, and tell what was done where."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stemprep.containers import DecodingFault, read_blocks
from stemprep.errors import InputError, PrepareError
from stemprep.intake import open_regular
from stemprep.lineage.differences import DifferenceMeter, Differences
from stemprep.lineage.explaining import COHERENT, FOLLOWING, Excerpt, coherence
from stemprep.lineage.moving import FoundPlace, equally_like, locate
from stemprep.lineage.regions import SoundComparison, ends_of, regions_of
from stemprep.model.plan import Operation
from stemprep.model.reconciliation import Region, RegionKind
from stemprep.prepare.convert_rate import convert_rate
from stemprep.prepare.stream import Stream
from stemprep.summing import BlockStream
from stemprep.units import convert_samples, length_after_conversion, quantising_step
from stemprep.work.excerpts import SoundFile, Span, mono_blocks, read_spans

Planar = npt.NDArray[np.float64]

BLOCK_FRAMES = 65_536
MOST_FRAMES = 1 << 20
"""Longest stretch that is held in memory at once; a longer one is told in parts."""
MOST_RUNS = 400
REACH_S = 2.0
WINDOW_FRAMES = 32_768
WINDOWS = 3
SAME_SHARE = 0.1
"""Of the sounding samples: so many are the same by no chance, so the original lies in its place."""
ACCOUNTED = 0.01
"""Low or looped sound is like itself at other places too; a real move leaves 20 dB less."""
FOUND_LIKENESS = 0.6
"""Windows of unrelated recordings reach 0.2 (measured); an equaliser leaves 0.7 and more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedFile:
    """One of the two files: absolute root folder, and the file as it was measured."""

    root: str
    sound: SoundFile

    @property
    def rate_hz(self) -> int:
        """Its own rate."""
        return self.sound.format.sample_rate_hz

    @property
    def frames(self) -> int:
        """Its length."""
        return self.sound.header.frames

    @property
    def step(self) -> float:
        """Its quantising step; 0 for float."""
        form = self.sound.format
        return quantising_step(form.bit_depth) if form.encoding == "integer" else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareJob:
    """An original and what came back of it."""

    original: ComparedFile
    returned: ComparedFile


def compare_sound(job: CompareJob) -> SoundComparison | None:
    """What was done to the original, and where; None where one of them can no longer be read."""
    try:
        if job.original.rate_hz != job.returned.rate_hz:
            return _across_rates(job)
        return _at_one_rate(job)
    except (InputError, OSError, DecodingFault, PrepareError):
        return None


def _at_one_rate(job: CompareJob) -> SoundComparison:
    offset = 0
    is_of_original = True
    found = _differences(job, offset)
    if found.equal_share < SAME_SHARE:
        place = _offset(job, found)
        is_coherent = _is_coherent(job, found)
        is_in_place = is_coherent or found.likeness() >= FOLLOWING
        is_of_original = place is not None or is_coherent
        if place is None and not is_in_place:
            return _another(job)
        if place:
            there = _differences(job, place)
            if not is_in_place or there.left_by_gain <= ACCOUNTED:
                offset, found = place, there
    first = max(0, -offset)
    ends = ends_of(job.original.frames, job.returned.frames, offset)
    excerpts = _excerpts(job, found, offset)
    changed = regions_of(found, excerpts, first=first, step=_step(job))
    is_dual = job.original.sound.format.channels != job.returned.sound.format.channels
    return SoundComparison(
        regions=(*ends, *changed),
        offset=offset,
        channels_words=_channels_words(job) if is_dual else "",
        is_of_original=is_of_original,
    )


def _whole(job: CompareJob, kind: RegionKind) -> Region:
    return Region(start_sample=0, end_sample=job.original.frames, kind=kind)


def _another(job: CompareJob) -> SoundComparison:
    whole = replace(_whole(job, "edited"), words="another recording")
    return SoundComparison(is_another=True, is_of_original=False, regions=(whole,))


def _step(job: CompareJob) -> float:
    return max(job.original.step, job.returned.step)


def _channels_words(job: CompareJob) -> str:
    names = {1: "mono", 2: "stereo"}
    before, after = (
        names.get(count, f"{count} channels")
        for count in (job.original.sound.format.channels, job.returned.sound.format.channels)
    )
    return f"{before} came back as {after}"


# --- reading both at once


def _blocks(file: ComparedFile, stack: ExitStack, channels: int) -> Iterator[Planar]:
    stream = stack.enter_context(open_regular(file.root, file.sound.raw_path))
    for block in read_blocks(stream, file.sound.header, _unheard):
        yield _as_channels(np.asarray(block.samples, dtype=np.float64), channels)


def _as_channels(samples: Planar, channels: int) -> Planar:
    """The sound on so many channels: one is laid on all, several are averaged to one."""
    if samples.shape[0] == channels:
        return samples
    if samples.shape[0] == 1:
        return np.repeat(samples, channels, axis=0)
    return np.repeat(samples.mean(axis=0, keepdims=True), channels, axis=0)


def _channels(job: CompareJob) -> int:
    """Channels in which both are compared: those of what came back."""
    return job.returned.sound.format.channels


def _differences(job: CompareJob, offset: int) -> Differences:
    """Compare frame n of the original with frame n + offset of what came back."""
    start = max(0, -offset)
    end = min(job.original.frames, job.returned.frames - offset)
    channels = _channels(job)
    meter = DifferenceMeter(job.original.rate_hz)
    with ExitStack() as stack:
        original = BlockStream(_blocks(job.original, stack, channels), channels)
        returned = BlockStream(_blocks(job.returned, stack, channels), channels, -offset)
        for at in range(start, end, BLOCK_FRAMES):
            span = (at, min(at + BLOCK_FRAMES, end))
            meter.add(
                np.asarray(original.take(*span), dtype=np.float64),
                np.asarray(returned.take(*span), dtype=np.float64),
            )
    return meter.finish()


def _unheard(_: bytes | memoryview) -> None:
    """The bytes were hashed when the file was measured."""


def _excerpts(job: CompareJob, found: Differences, offset: int) -> Iterator[tuple[Span, Excerpt]]:
    """Each stretch that differs, as it was and as it came back; at most so many, loudest first.

    Places count from the first frame that was compared.
    """
    first = max(0, -offset)
    lead = int(REACH_S * job.original.rate_hz)
    channels = _channels(job)
    parts = [part for run in found.runs[:MOST_RUNS] for part in _parts(run)]
    for start, end in parts:
        (around,) = read_spans(
            job.original.root,
            job.original.sound,
            [(first + start - lead, first + end + lead)],
        )
        (after,) = read_spans(
            job.returned.root,
            job.returned.sound,
            [(first + start + offset, first + end + offset)],
        )
        wide = _as_channels(np.asarray(around, dtype=np.float64), channels)
        yield (
            (start, end),
            Excerpt(
                original=wide[:, lead : lead + end - start],
                returned=_as_channels(np.asarray(after, dtype=np.float64), channels),
                around=wide,
                lead=lead,
                rate_hz=job.original.rate_hz,
                step=_step(job),
            ),
        )


def _parts(run: Span) -> Iterator[Span]:
    start, end = run
    for at in range(start, end, MOST_FRAMES):
        yield at, min(at + MOST_FRAMES, end)


# --- finding the original in what came back


def _offset(job: CompareJob, found: Differences) -> int | None:
    """How much later the original lies in what came back; None where it is not found there.

    Windows from the loudest places are sought in the whole file; two have to agree.
    """
    places: list[int] = []
    starts = _loud_starts(found, job.original.frames)
    windows = read_spans(
        job.original.root,
        job.original.sound,
        [(start, start + WINDOW_FRAMES) for start in starts],
    )
    for start, window in zip(starts, windows, strict=True):
        place = _sought(np.asarray(window.mean(axis=0), dtype=np.float64), job.returned, start)
        if place is not None:
            places.append(place - start)
    agreeing = [place for place in places if places.count(place) > 1]
    if agreeing:
        return max(set(agreeing), key=agreeing.count)
    return places[0] if len(places) == 1 == len(starts) else None


def _loud_starts(found: Differences, frames: int) -> list[int]:
    """Where the windows begin: the loudest second of each third."""
    cells_wide = max(1, WINDOW_FRAMES // found.cell_frames)
    sums = np.concatenate([[0.0], np.cumsum(found.original)])
    energy = sums[cells_wide:] - sums[:-cells_wide] if len(sums) > cells_wide else sums[-1:]
    starts: list[int] = []
    for third in np.array_split(np.arange(len(energy)), WINDOWS):
        if len(third) and energy[third].max() > 0.0:
            cell = int(third[int(energy[third].argmax())])
            starts.append(min(cell * found.cell_frames, max(0, frames - WINDOW_FRAMES)))
    return sorted(set(starts))


def _sought(window: Planar, file: ComparedFile, near: int) -> int | None:
    """Where in the whole file the window is; in one pass, a stretch after the other.

    Of places that are equally like it, the nearest to ``near``.
    """
    held = np.zeros(0)
    at, best, place = 0, 0.0, None
    for block in _stretches(file):
        stretch = np.concatenate([held, block])
        first = at - len(held)
        found = locate(window, stretch, near - first)
        if found is not None and _is_better(found, best, first, place, near):
            best, place = abs(found.likeness), first + found.start
        held = stretch[-(len(window) - 1) :]
        at += len(block)
    return place if best >= FOUND_LIKENESS else None


def _is_better(found: FoundPlace, best: float, first: int, place: int | None, near: int) -> bool:
    likeness = abs(found.likeness)
    if place is None or best < equally_like(likeness):
        return True
    is_nearer = abs(first + found.start - near) < abs(place - near)
    return likeness >= equally_like(best) and is_nearer


def _stretches(file: ComparedFile, frames: int = 1 << 19) -> Iterator[Planar]:
    waiting: list[npt.NDArray[np.float32]] = []
    count = 0
    for block in mono_blocks(file.root, file.sound):
        waiting.append(block)
        count += len(block)
        if count >= frames:
            yield np.concatenate(waiting).astype(np.float64)
            waiting, count = [], 0
    if count:
        yield np.concatenate(waiting).astype(np.float64)


def _is_coherent(job: CompareJob, found: Differences) -> bool:
    """Tell processing in place from another recording: the spectrum follows the original."""
    starts = _loud_starts(found, min(job.original.frames, job.returned.frames))
    spans = [(start, start + 4 * WINDOW_FRAMES) for start in starts]
    before = read_spans(job.original.root, job.original.sound, spans)
    after = read_spans(job.returned.root, job.returned.sound, spans)
    channels = _channels(job)
    alike = [
        coherence(
            _as_channels(np.asarray(left, dtype=np.float64), channels),
            np.asarray(right, dtype=np.float64),
        )
        for left, right in zip(before, after, strict=True)
    ]
    return bool(alike) and float(np.median(alike)) >= COHERENT


# --- across rates


def _across_rates(job: CompareJob) -> SoundComparison:
    """The original brought to the other rate, and compared there: what is left tells the rest."""
    from_hz, to_hz = job.original.rate_hz, job.returned.rate_hz
    frames = length_after_conversion(job.original.frames, from_hz, to_hz)
    channels = _channels(job)
    meter = DifferenceMeter(to_hz)
    with ExitStack() as stack:
        stream = Stream(
            name=job.original.sound.path,
            rate_hz=from_hz,
            frames=job.original.frames,
            origins=tuple(("", channel + 1) for channel in range(channels)),
            bit_depth=None,
            blocks=_blocks(job.original, stack, channels),
        )
        step = Operation(name="convert-rate", parameters={"from_hz": from_hz, "to_hz": to_hz})
        original = BlockStream(convert_rate(stream, step).blocks, channels)
        returned = BlockStream(_blocks(job.returned, stack, channels), channels)
        for at in range(0, min(frames, job.returned.frames), BLOCK_FRAMES):
            span = (at, min(at + BLOCK_FRAMES, frames, job.returned.frames))
            meter.add(
                np.asarray(original.take(*span), dtype=np.float64),
                np.asarray(returned.take(*span), dtype=np.float64),
            )
    found = meter.finish()
    return _converted(job, found)


def _converted(job: CompareJob, found: Differences) -> SoundComparison:
    whole = _whole(job, "rate-converted")
    before, after = float(found.original.sum()), float(found.returned.sum())
    gain = float(found.cross.sum()) / before if before > 0.0 else 0.0
    left = after - gain * float(found.cross.sum())
    rates = f"converted from {job.original.rate_hz:,} to {job.returned.rate_hz:,} Hz"
    ends = _converted_ends(job)
    if gain > 0.0 and left <= 1e-3 * after:
        gain_db = 20.0 * float(np.log10(gain))
        level = "" if abs(gain_db) < 0.05 else f", {gain_db:+.2f} dB"
        return SoundComparison(
            regions=(replace(whole, gain_db=gain_db, words=rates + level), *ends)
        )
    if found.likeness() >= FOLLOWING:
        return SoundComparison(
            regions=(replace(whole, words=f"{rates}, and more was done to it"), *ends),
            is_of_original=False,
        )
    return _another(job)


def _converted_ends(job: CompareJob) -> Sequence[Region]:
    """What is missing at the end, in samples of the original; rounding by a block is none."""
    reached = convert_samples(job.returned.frames, job.returned.rate_hz, job.original.rate_hz)
    slack = job.original.rate_hz // 100
    if reached < job.original.frames - slack:
        return (Region(start_sample=reached, end_sample=job.original.frames, kind="trimmed"),)
    return ()
