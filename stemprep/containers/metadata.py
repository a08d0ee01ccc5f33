"""Which chunks a written file carries: true ones, in a fixed order; what is left is named."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO, Final

from stemprep.containers.bext import build_bext
from stemprep.containers.faults import MAX_METADATA_BYTES
from stemprep.containers.ixml import Retouch, build_ixml, retouch_ixml
from stemprep.containers.protocol import Metadata
from stemprep.containers.riff_chunks import read_at
from stemprep.model.header import Chunk, Header
from stemprep.model.plan import OutputPlan

REBUILT: Final = frozenset(
    {"fmt ", "data", "fact", "ds64", "r64m", "JUNK", "junk", "PAD ", "pad ", "FLLR", "filr"}
)
"""Structure and filler: written anew or of no meaning, so neither carried nor missed."""

_TIMELESS = frozenset({"bext", "iXML", "LIST INFO", "_PMX", "id3 ", "ID3 "})
_OF_THE_SAMPLES = frozenset({"PEAK", "levl"})
_OF_THE_CHANNELS = frozenset({"chna", "axml", "bxml", "sxml"})
_BYTE_TRUE = frozenset({"copy", "copy-audio", "rename", "rewrap"})
_MOVING = frozenset({"place", "trim", "pad", "convert-rate"})
_CHANNEL_CHANGING = frozenset({"split", "join", "fold-mono"})


def outgoing_metadata(stream: BinaryIO, header: Header, output: OutputPlan) -> Metadata:
    """Gather the chunks of one planned file from its source and from the plan.

    A source chunk stays, byte for byte, unless the plan drops it (by identifier, or as
    ``LIST adtl``), names other chunks to keep, or its truth ends with the planned operations:
    positions after a move, peaks after a change, channel assignments after a split or join.
    bext and iXML come from the plan where it gives them. Order: bext, iXML, the source's.
    """
    changes = _Changes(output)
    carried: list[tuple[str, bytes]] = []
    dropped: list[str] = []
    seen: set[str] = set()
    left = MAX_METADATA_BYTES
    for chunk in header.chunks:
        name = label(chunk)
        if name in REBUILT or (name == "bext" and output.bext is not None):
            continue
        is_second = name in seen and name in ("bext", "iXML")
        seen.add(name)
        if is_second or chunk.size_bytes > left or not _is_kept(name, output, changes):
            dropped.append(name)
            continue
        left -= chunk.size_bytes
        payload = read_at(stream, chunk.offset_bytes, chunk.size_bytes)
        carried.append((chunk.identifier, payload))
    chunks = _with_bext(carried, output)
    chunks, ixml_parts = _with_ixml(chunks, header, output, changes)
    dropped = [name for name in dropped if name != "iXML" or not output.track_names]
    return Metadata(chunks=tuple(_ordered(chunks)), dropped=tuple(dropped) + ixml_parts)


def label(chunk: Chunk) -> str:
    """Name a chunk for plan and report: its identifier, for a list with its type."""
    return f"{chunk.identifier} {chunk.form}" if chunk.form else chunk.identifier


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
    if changes.is_moved and name == "bext":
        return output.bext is not None
    if changes.is_moved and name not in _TIMELESS:
        return False
    if changes.is_changed and name in _OF_THE_SAMPLES:
        return False
    return not (changes.has_other_channels and name in _OF_THE_CHANNELS)


def _with_bext(carried: list[tuple[str, bytes]], output: OutputPlan) -> list[tuple[str, bytes]]:
    if output.bext is None:
        return carried
    return [("bext", build_bext(output.bext)), *carried]


def _with_ixml(
    chunks: list[tuple[str, bytes]], header: Header, output: OutputPlan, changes: _Changes
) -> tuple[list[tuple[str, bytes]], tuple[str, ...]]:
    """Make a carried iXML true, or build one where names are planned and none can be carried."""
    retouch = _retouch(output, changes)
    source = next((payload for name, payload in chunks if name == "iXML"), None)
    is_usable = header.ixml is not None and header.ixml.is_well_formed
    if source is not None and not retouch.is_needed:
        return chunks, ()
    others = [(name, payload) for name, payload in chunks if name != "iXML"]
    if source is not None and is_usable:
        payload, parts = retouch_ixml(source, retouch)
        return [*others, ("iXML", payload)], parts
    parts = () if source is None else ("iXML",)
    if output.track_names:
        return [*others, ("iXML", build_ixml(output.track_names))], parts
    return others, parts


def _retouch(output: OutputPlan, changes: _Changes) -> Retouch:
    written = output.format
    return Retouch(
        track_names=output.track_names,
        time_reference_samples=None if output.bext is None else output.bext.time_reference_samples,
        sample_rate_hz=None if written is None else written.sample_rate_hz,
        bit_depth=None if written is None else written.bit_depth,
        is_moved=changes.is_moved,
        is_changed=changes.is_changed,
        is_track_list_stale=changes.has_other_channels,
    )


def _ordered(chunks: list[tuple[str, bytes]]) -> Iterator[tuple[str, bytes]]:
    for first in ("bext", "iXML"):
        yield from (chunk for chunk in chunks if chunk[0] == first)
    yield from (chunk for chunk in chunks if chunk[0] not in ("bext", "iXML"))
