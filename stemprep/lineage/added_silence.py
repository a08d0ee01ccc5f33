"""Silence that a package put around a recording to line its files up, told from the recording."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from stemprep.lineage.records import DeliveredFile
from stemprep.model.plan import Operation, Parameter
from stemprep.model.reconciliation import AddedSilence, Region
from stemprep.model.words import OperationName

ADDED_WORDS = "silence that the package had added is cut off"
_EXACT: frozenset[OperationName] = frozenset(
    {"copy-audio", "rewrap", "place", "pad", "convert-word-length", "rename"}
)
"""What leaves every sample as it is, where a word length is not dithered."""
_CARRIED = ("added_head_samples", "added_tail_samples")
"""Parameters of a copy: its steps are told by the package that it was carried from."""


def added_silence(file: DeliveredFile) -> AddedSilence:
    """What the operations of a delivered file put in front and at the end, less what they cut.

    Of a file that was carried from package to package it is handed on with the copy. A rate
    converted after that leaves a trace of its filter in it, so nothing of it counts.
    """
    head = tail = 0
    for step in file.operations:
        if step.name == "convert-rate":
            head = tail = 0
        if step.name == "copy":
            head, tail = (max(0, _samples(step, name)) for name in _CARRIED)
        sign = -1 if step.name == "trim" else 1
        if step.name in ("place", "pad", "trim"):
            head = max(0, head + sign * _samples(step, "head_samples"))
            tail = max(0, tail + sign * _samples(step, "tail_samples"))
    frames = file.whole("frames") or 0
    head = min(head, frames)
    return AddedSilence(head_samples=head, tail_samples=min(tail, frames - head))


def added_parameters(added: AddedSilence) -> dict[str, Parameter]:
    """For the copy of a file that an earlier package had filled: what is added silence in it."""
    values = (added.head_samples, added.tail_samples)
    return {name: count for name, count in zip(_CARRIED, values, strict=True) if count}


def _samples(step: Operation, name: str) -> int:
    value: Mapping[str, object] = step.parameters
    count = value.get(name)
    return count if isinstance(count, int) and not isinstance(count, bool) else 0


def added_to_source(file: DeliveredFile, frames: int) -> AddedSilence | None:
    """Silence that a delivered file has beside its source of so many frames; None if unlike it."""
    added = added_silence(file)
    longer = added.head_samples + added.tail_samples
    is_exact = all(
        step.name in _EXACT and step.parameters.get("dither") != "tpdf" for step in file.operations
    )
    return added if longer and is_exact and frames + longer == file.whole("frames") else None


def unpadded_regions(missing: AddedSilence, frames: int) -> tuple[Region, ...]:
    """The stretches of an original of so many frames that are missing, all of them added."""
    spans = ((0, missing.head_samples), (frames - missing.tail_samples, frames))
    return tuple(_added(start, end) for start, end in spans if start < end)


def _added(start: int, end: int) -> Region:
    return Region(
        start_sample=start,
        end_sample=end,
        kind="trimmed",
        words=ADDED_WORDS,
        is_added_silence=True,
    )


def told_apart(regions: Iterable[Region], added: AddedSilence, frames: int) -> tuple[Region, ...]:
    """The regions of an original, what was cut off parted into recording and added silence."""
    return tuple(
        part
        for region in regions
        for part in (_parted(region, added, frames) if region.kind == "trimmed" else (region,))
    )


def _parted(region: Region, added: AddedSilence, frames: int) -> Iterator[Region]:
    first = min(max(added.head_samples, region.start_sample), region.end_sample)
    last = max(min(frames - added.tail_samples, region.end_sample), first)
    if region.start_sample < first:
        yield _added(region.start_sample, first)
    if first < last:
        yield replace(region, start_sample=first, end_sample=last)
    if last < region.end_sample:
        yield _added(last, region.end_sample)
