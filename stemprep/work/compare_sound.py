"""Compare the sound of an original with what came back of it, and tell what was done where."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace

import numpy as np

from stemprep.containers import DecodingFault
from stemprep.errors import InputError, PrepareError
from stemprep.lineage.added_silence import told_apart, unpadded_regions
from stemprep.lineage.differences import DifferenceMeter, Differences
from stemprep.lineage.explaining import FOLLOWING, Excerpt
from stemprep.lineage.regions import SoundComparison, ends_of, regions_of
from stemprep.model.plan import Operation
from stemprep.model.reconciliation import Region, RegionKind
from stemprep.null_test import BlockStream
from stemprep.prepare.convert_rate import convert_rate
from stemprep.prepare.stream import Stream
from stemprep.units import convert_samples, length_after_conversion
from stemprep.work.both_sounds import (
    BLOCK_FRAMES,
    CompareJob,
    as_channels,
    channels_of,
    differences,
    planar_blocks,
)
from stemprep.work.excerpts import Span, read_spans
from stemprep.work.seek_original import is_coherent, is_unpadded, offset_of, padding_of

MOST_FRAMES = 1 << 20
"""Longest stretch that is held in memory at once; a longer one is told in parts."""
MOST_RUNS = 400
REACH_S = 2.0
SAME_SHARE = 0.1
"""Of the sounding samples: so many are the same by no chance, so the original lies in its place."""
ACCOUNTED = 0.01
"""Low or looped sound is like itself at other places too; a real move leaves 20 dB less."""


def compare_sound(job: CompareJob) -> SoundComparison | None:
    """What was done to the original, and where; None where one of them can no longer be read."""
    try:
        if job.original.rate_hz != job.returned.rate_hz:
            return _across_rates(job)
        return _at_one_rate(job)
    except (InputError, OSError, DecodingFault, PrepareError):
        return None


def _at_one_rate(job: CompareJob) -> SoundComparison:
    padding = padding_of(job)
    missing = padding.missing
    if missing is not None and is_unpadded(job, missing):
        regions = unpadded_regions(missing, job.original.frames)
        return SoundComparison(regions=regions, offset=-missing.head_samples)
    offset = 0
    is_of_original = True
    found = differences(job, offset)
    if found.equal_share < SAME_SHARE:
        place = offset_of(job, found)
        is_processed = is_coherent(job, found)
        is_in_place = is_processed or found.likeness() >= FOLLOWING
        is_of_original = place is not None or is_processed
        if place is None and not is_in_place:
            return _another(job)
        if place:
            there = differences(job, place)
            if not is_in_place or there.left_by_gain <= ACCOUNTED:
                offset, found = place, there
    first = max(0, -offset)
    frames = job.original.frames
    ends = told_apart(ends_of(frames, job.returned.frames, offset), padding.added, frames)
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


def _excerpts(job: CompareJob, found: Differences, offset: int) -> Iterator[tuple[Span, Excerpt]]:
    """Each stretch that differs, as it was and as it came back; at most so many, loudest first.

    Places count from the first frame that was compared.
    """
    first = max(0, -offset)
    lead = int(REACH_S * job.original.rate_hz)
    channels = channels_of(job)
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
        wide = as_channels(np.asarray(around, dtype=np.float64), channels)
        yield (
            (start, end),
            Excerpt(
                original=wide[:, lead : lead + end - start],
                returned=as_channels(np.asarray(after, dtype=np.float64), channels),
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


# --- across rates


def _across_rates(job: CompareJob) -> SoundComparison:
    """The original brought to the other rate, and compared there: what is left tells the rest."""
    from_hz, to_hz = job.original.rate_hz, job.returned.rate_hz
    frames = length_after_conversion(job.original.frames, from_hz, to_hz)
    channels = channels_of(job)
    meter = DifferenceMeter(to_hz)
    with ExitStack() as stack:
        stream = Stream(
            name=job.original.sound.path,
            rate_hz=from_hz,
            frames=job.original.frames,
            origins=tuple(("", channel + 1) for channel in range(channels)),
            bit_depth=None,
            blocks=planar_blocks(job.original, stack, channels),
        )
        step = Operation(name="convert-rate", parameters={"from_hz": from_hz, "to_hz": to_hz})
        original = BlockStream(convert_rate(stream, step).blocks, channels)
        returned = BlockStream(planar_blocks(job.returned, stack, channels), channels)
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
