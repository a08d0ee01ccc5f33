"""Which chunks a written file carries: true ones, in a fixed order; what is left is named."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO, Final

from stemprep.containers.bext import build_bext
from stemprep.containers.faults import MAX_METADATA_BYTES
from stemprep.containers.ixml import Retouch, build_ixml, retouch_ixml
from stemprep.containers.markers import build_cues
from stemprep.containers.protocol import Metadata
from stemprep.containers.riff_chunks import read_at
from stemprep.model.header import Chunk, Header, Ixml
from stemprep.model.plan import OutputPlan

REBUILT: Final = frozenset(
    {"fmt ", "data", "fact", "ds64", "r64m", "JUNK", "junk", "PAD ", "pad ", "FLLR", "filr"}
)
"""Structure and filler: written anew or of no meaning, so neither carried nor missed."""

_TIMELESS = frozenset({"bext", "iXML", "LIST INFO", "_PMX", "id3 ", "ID3 "})
_OF_THE_SAMPLES = frozenset({"PEAK", "levl"})
_OF_THE_CHANNELS = frozenset({"chna", "axml", "bxml", "sxml"})
_OF_CUES = frozenset({"cue ", "LIST adtl"})
_BYTE_TRUE = frozenset({"copy", "copy-audio", "rename", "rewrap"})
_MOVING = frozenset({"place", "trim", "pad", "convert-rate"})
_CHANNEL_CHANGING = frozenset({"split", "join", "fold-mono"})


def outgoing_metadata(stream: BinaryIO, header: Header, output: OutputPlan) -> Metadata:
    """Gather the chunks of one planned file from its source and from the plan.

    A source chunk stays, byte for byte, unless the plan drops it (by identifier, or as
    ``LIST adtl``), names other chunks to keep, or its truth ends with the planned operations:
    positions after a move, peaks after a change, channel assignments after a split or join.
    bext and iXML come from the plan where it gives them, and so do cue points, beside those that
    the source keeps. Order: bext, iXML, the source's.
    """
    choice = _choose(header, output)
    chunks = [
        (chunk.identifier, read_at(stream, chunk.offset_bytes, chunk.size_bytes))
        for chunk in choice.carried
    ]
    if output.bext is not None:
        chunks.insert(0, ("bext", build_bext(output.bext)))
    chunks = [
        (name, retouch_ixml(payload, choice.retouch) if choice.is_retouched(name) else payload)
        for name, payload in chunks
    ]
    if output.track_names and not any(name == "iXML" for name, _ in chunks):
        chunks.append(("iXML", build_ixml(output.track_names)))
    if output.cues:
        chunks += build_cues((*(header.cues if choice.is_cue_merged else ()), *output.cues))
    return Metadata(chunks=tuple(_ordered(chunks)), dropped=choice.dropped)


def made_metadata(output: OutputPlan) -> Metadata:
    """Gather the chunks of a file that has no source: bext and track names as planned."""
    chunks: list[tuple[str, bytes]] = []
    if output.bext is not None:
        chunks.append(("bext", build_bext(output.bext)))
    if output.track_names:
        chunks.append(("iXML", build_ixml(output.track_names)))
    return Metadata(chunks=tuple(chunks))


def dropped_metadata(header: Header, output: OutputPlan) -> tuple[str, ...]:
    """Tell beforehand what ``outgoing_metadata`` will leave behind, for the plan that is printed.

    Labels: an identifier (``cue ``), a list with its type (``LIST adtl``), or a part of the
    iXML (``iXML/LOUDNESS``).
    """
    return _choose(header, output).dropped


def label(chunk: Chunk) -> str:
    """Name a chunk for plan and report: its identifier, for a list with its type."""
    return f"{chunk.identifier} {chunk.form}" if chunk.form else chunk.identifier


@dataclass(frozen=True, slots=True)
class _Choice:
    """What is carried of a source and what is not; nothing has been read for it yet."""

    carried: tuple[Chunk, ...]
    dropped: tuple[str, ...]
    retouch: Retouch
    is_cue_merged: bool = False

    def is_retouched(self, name: str) -> bool:
        return name == "iXML" and self.retouch.is_needed


def _choose(header: Header, output: OutputPlan) -> _Choice:
    changes = _Changes(output)
    retouch = _retouch(header, output, changes)
    carried: list[Chunk] = []
    dropped: list[str] = []
    is_cue_merged = False
    left = MAX_METADATA_BYTES
    for chunk in _candidates(header, output):
        name = label(chunk)
        is_second = name in ("bext", "iXML") and any(name == c.identifier for c in carried)
        is_broken = name == "iXML" and retouch.is_needed and not _is_ixml_usable(header)
        is_kept = _is_kept(name, output, changes) and chunk.size_bytes <= left
        if is_kept and output.cues and name in _OF_CUES:  # they stay, but in chunks of ours
            is_cue_merged = True
            continue
        if is_second or is_broken or not is_kept:
            dropped.append(name)
        else:
            left -= chunk.size_bytes
            carried.append(chunk)
    if header.ixml is not None and any(chunk.identifier == "iXML" for chunk in carried):
        stale = (part for part in header.ixml.parts if part in retouch.stale_parts)
        dropped += [f"iXML/{part}" for part in stale]
        dropped += [f"iXML/SPEED/{element}" for element in retouch.contradicted]
    return _Choice(tuple(carried), tuple(dropped), retouch, is_cue_merged)


def _candidates(header: Header, output: OutputPlan) -> Iterator[Chunk]:
    """Yield the source's metadata chunks that nothing of ours replaces."""
    is_bext_new = output.bext is not None
    seen_bext = False
    for chunk in header.chunks:
        if chunk.identifier == "bext" and is_bext_new and not seen_bext:
            seen_bext = True
        elif chunk.identifier not in REBUILT:
            yield chunk


def _is_ixml_usable(header: Header) -> bool:
    return header.ixml is not None and header.ixml.is_well_formed


class _Changes:
    """What the planned operations do to the sound, as far as metadata is concerned."""

    def __init__(self, output: OutputPlan) -> None:
        names = {step.name for step in output.operations}
        self.is_changed = bool(names - _BYTE_TRUE)
        self.is_moved = bool(names & _MOVING)
        self.has_other_channels = bool(names & _CHANNEL_CHANGING)


def _is_kept(name: str, output: OutputPlan, changes: _Changes) -> bool:
    identifier = name[:4]
    if {identifier, name} & set(output.dropped_chunks):
        return False
    if name == "LIST adtl" and "cue " in output.dropped_chunks:
        return False
    if output.kept_chunks and not {identifier, name} & set(output.kept_chunks):
        return False
    return _is_still_true(name, output, changes)


def _is_still_true(name: str, output: OutputPlan, changes: _Changes) -> bool:
    if name == "bext" and (changes.is_moved or output.bext is not None):
        return False
    if changes.is_moved and name not in _TIMELESS:
        return False
    if changes.is_changed and name in _OF_THE_SAMPLES:
        return False
    return not (changes.has_other_channels and name in _OF_THE_CHANNELS)


def _retouch(header: Header, output: OutputPlan, changes: _Changes) -> Retouch:
    written, bext, ixml = output.format, output.bext, header.ixml
    if bext is None and not changes.is_moved:
        bext = header.bext
    is_of_others = ixml is not None and _lists_other_tracks(ixml, header)
    retouch = Retouch(
        track_names=output.track_names,
        time_reference_samples=None if bext is None else bext.time_reference_samples,
        sample_rate_hz=None if written is None else written.sample_rate_hz,
        bit_depth=None if written is None else written.bit_depth,
        is_moved=changes.is_moved,
        is_changed=changes.is_changed,
        is_track_list_stale=changes.has_other_channels or is_of_others,
    )
    if ixml is None or not ixml.is_well_formed or changes.is_moved or changes.is_changed:
        return retouch
    if bext is not None and bext.time_reference_samples == 0:
        retouch = replace(retouch, time_reference_samples=None)
    return replace(retouch, contradicted=tuple(_contradicted(ixml, retouch)))


def _lists_other_tracks(ixml: Ixml, header: Header) -> bool:
    """Tell of a track list that is not this file's, nor that of a set of files."""
    if header.format is None or not ixml.track_count or (ixml.files_of_set or 1) > 1:
        return False
    return ixml.track_count != header.format.channels


def _contradicted(ixml: Ixml, retouch: Retouch) -> Iterator[str]:
    """Elements of the source's iXML that say otherwise than the file that is written.

    A bext of 0 may be one that nobody filled in: it does not overrule a time in the iXML.
    """
    stated = {
        "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT": (
            ixml.time_reference_samples,
            retouch.time_reference_samples or None,
        ),
        "FILE_SAMPLE_RATE": (ixml.file_rate_hz, retouch.sample_rate_hz),
        "AUDIO_BIT_DEPTH": (ixml.bit_depth, retouch.bit_depth),
    }
    for element, (said, true) in stated.items():
        if said is not None and true is not None and said != true:
            yield element


def _ordered(chunks: list[tuple[str, bytes]]) -> Iterator[tuple[str, bytes]]:
    for first in ("bext", "iXML"):
        yield from (chunk for chunk in chunks if chunk[0] == first)
    yield from (chunk for chunk in chunks if chunk[0] not in ("bext", "iXML"))
