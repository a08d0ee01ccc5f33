"""Where in a returned file the sound of its original lies, or whether it is there at all."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.lineage.differences import Differences, Span
from stemprep.lineage.explaining import COHERENT, coherence
from stemprep.lineage.moving import FoundPlace, equally_like, locate
from stemprep.model.reconciliation import AddedSilence
from stemprep.work.both_sounds import (
    ComparedFile,
    CompareJob,
    Planar,
    as_channels,
    channels_of,
    differences,
    planar_blocks,
)
from stemprep.work.excerpts import mono_blocks, read_spans

WINDOW_FRAMES = 32_768
WINDOWS = 3
FOUND_LIKENESS = 0.6
"""Windows of unrelated recordings reach 0.2 (measured); an equaliser leaves 0.7 and more."""


def offset_of(job: CompareJob, found: Differences) -> int | None:
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


def is_coherent(job: CompareJob, found: Differences) -> bool:
    """Tell processing in place from another recording: the spectrum follows the original."""
    starts = _loud_starts(found, min(job.original.frames, job.returned.frames))
    spans = [(start, start + 4 * WINDOW_FRAMES) for start in starts]
    before = read_spans(job.original.root, job.original.sound, spans)
    after = read_spans(job.returned.root, job.returned.sound, spans)
    channels = channels_of(job)
    alike = [
        coherence(
            as_channels(np.asarray(left, dtype=np.float64), channels),
            np.asarray(right, dtype=np.float64),
        )
        for left, right in zip(before, after, strict=True)
    ]
    return bool(alike) and float(np.median(alike)) >= COHERENT


# --- where only silence was taken away


@dataclass(frozen=True, slots=True, kw_only=True)
class Padding:
    """What is silent of the silence that the manifest tells, and where the rest would lie.

    added:   of it, what the delivered file really holds as zeros.
    missing: what is cut off where both sound the same frames, and no more is missing than
             ``added``; None else.
    """

    added: AddedSilence
    missing: AddedSilence | None = None


def padding_of(job: CompareJob) -> Padding:
    """Hold the first and the last sample that is not zero of both files against each other.

    By them the place of the sound is exact, where a search may take a loop for its neighbour.
    """
    told = job.added
    frames = job.original.frames
    shorter = frames - job.returned.frames
    if not (told.head_samples or told.tail_samples):
        return Padding(added=told)
    before, after = _sounding(job.original), _sounding(job.returned)
    if before is None:
        tail = min(shorter, told.tail_samples)
        missing = AddedSilence(head_samples=shorter - tail, tail_samples=tail)
        is_fitting = after is None and shorter > 0 and missing.head_samples <= told.head_samples
        return Padding(added=told, missing=missing if is_fitting else None)
    added = AddedSilence(
        head_samples=min(told.head_samples, before[0]),
        tail_samples=min(told.tail_samples, frames - before[1]),
    )
    if after is None or after[1] - after[0] != before[1] - before[0]:
        return Padding(added=added)
    head = before[0] - after[0]
    is_within = 0 <= head <= added.head_samples and 0 <= shorter - head <= added.tail_samples
    missing = AddedSilence(head_samples=head, tail_samples=shorter - head)
    return Padding(added=added, missing=missing if is_within and shorter > 0 else None)


def is_unpadded(job: CompareJob, missing: AddedSilence) -> bool:
    """Tell whether all that is left is the original, sample for sample, on the same channels."""
    channels = {file.sound.format.channels for file in (job.original, job.returned)}
    found = differences(job, -missing.head_samples)
    return len(channels) == 1 and not found.runs and not found.no_numbers


def _sounding(file: ComparedFile) -> Span | None:
    """First frame that is not zero on every channel, and the end of the last; None in silence."""
    first, last, at = None, 0, 0
    with ExitStack() as stack:
        for block in planar_blocks(file, stack, file.sound.format.channels):
            places = np.flatnonzero(block.any(axis=0))
            if len(places):
                first = at + int(places[0]) if first is None else first
                last = at + int(places[-1]) + 1
            at += block.shape[1]
    return None if first is None else (first, last)
