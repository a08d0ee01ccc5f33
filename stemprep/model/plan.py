"""What will be done, decided before anything is done, and executed exactly as written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated

from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat, Bext, Cue
from stemprep.model.record_codec import EXACT, LEFT_OUT, Written
from stemprep.model.timecode import FrameRate
from stemprep.model.value_types import Channel, Count
from stemprep.model.words import CompanionKind, OperationName, Role

Parameter = str | int | float | bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One step on one output file.

    parameters: plain values that fully determine the step, units in their names.
    reason:     why, in words; evidence: what it rests on (time reference, sheet, majority).
    """

    name: OperationName
    parameters: Annotated[Mapping[str, Parameter], EXACT] = field(default_factory=dict)
    reason: str = ""
    evidence: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputPlan:
    """One file of the package.

    sources:  dropped paths it is made from (two for a join).
    path:     where it goes, relative to the package's payload, portable unless archived as dropped.
    source_channels: which channels of the source, from 1; empty: all.
    format:   of the file to be written; for copies, the source's own.
    frames:   expected length of the result.
    bext:     the broadcast extension to be written; None: carried as it is, or none.
    track_names: iXML names of the channels to be written; empty: iXML is carried as it is.
    kept_chunks, dropped_chunks: metadata chunks carried and left behind, by identifier.
    cues: markers to be written beside those that the source keeps; identifiers do not count.
    is_damaged: an archived file that could not be read whole; kept byte for byte.
    is_doubtful: a file that is copied though others cannot open it, or read it otherwise.
    """

    sources: tuple[str, ...]
    path: str
    role: Role
    song: str
    operations: tuple[Operation, ...]
    format: Annotated[AudioFormat | None, Written(without=("container_bits", "channel_mask"))]
    frames: Count
    source_channels: tuple[Channel, ...] = ()
    bext: Annotated[Bext | None, LEFT_OUT] = None
    track_names: Annotated[tuple[str, ...], LEFT_OUT] = ()
    kept_chunks: Annotated[tuple[str, ...], LEFT_OUT] = ()
    dropped_chunks: tuple[str, ...] = ()
    cues: Annotated[tuple[Cue, ...], LEFT_OUT] = ()
    is_damaged: bool = False
    is_doubtful: Annotated[bool, LEFT_OUT] = False

    @property
    def is_marked(self) -> bool:
        """Whether it is listed first, because something is wrong with it."""
        return self.is_damaged or self.is_doubtful

    @property
    def is_copy(self) -> bool:
        """True when the file's bytes are not touched at all."""
        return all(step.name in ("copy", "rename") for step in self.operations)


@dataclass(frozen=True, slots=True, kw_only=True)
class DocumentPlan:
    """One carried document: dropped path, path in the payload."""

    source: str
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Companion:
    """Something that is made for the package and was not dropped.

    path:      where it goes in the payload.
    made_from: dropped paths that it is made from; empty where it is made from the sheet alone.
    words:     what it is and how it is made, one sentence for the receiver.
    """

    kind: CompanionKind
    path: str
    song: str
    words: str
    made_from: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StartReference:
    """Where the files of one song begin, in samples, bars and timecode.

    rate_hz:        of all samples here.
    bar_1_samples:  from the first sample of the files to bar 1; None where ``unknown`` says why.
    start_samples:  time reference of the first sample; None where no file has one.
    start_bar:      bar and beat of the first sample (``-1.1``); None where bars are not known.
    start_timecode, start_timecode_samples: frame that the first sample lies in, samples into it.
    bar_1_timecode: frame that bar 1 lies in.
    frame_rate:     of both, as the session sheet gives it.
    """

    rate_hz: int
    bar_1_samples: int | None = None
    start_samples: int | None = None
    start_bar: str | None = None
    is_on_bar_line: bool = False
    start_timecode: str | None = None
    start_timecode_samples: int = 0
    bar_1_timecode: str | None = None
    frame_rate: FrameRate | None = None
    unknown: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Something of the drop that does not travel, and why."""

    path: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """A finding that a planned operation removes."""

    check: str
    file: str
    operation: OperationName


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The ordered work for one package.

    outputs:   sorted by path.
    start_samples: per song title, common start on the timeline at the song's rate; None unknown.
    references: per song title, where bar 1 lies in its files; none for an archive.
    notes:     decisions that concern the whole set, in words.
    blockers:  what no planned operation may do to a file (severity fail), such as clipping it;
               nothing is delivered while there is one.
    companions: what is made beside the outputs, sorted by path.
    """

    outputs: tuple[OutputPlan, ...]
    documents: tuple[DocumentPlan, ...]
    left_out: tuple[LeftOut, ...]
    repairs: tuple[Repair, ...]
    start_samples: Mapping[str, int | None] = field(default_factory=dict)
    references: Annotated[Mapping[str, StartReference], Written("start_references")] = field(
        default_factory=dict
    )
    notes: tuple[str, ...] = ()
    blockers: Annotated[tuple[Finding, ...], LEFT_OUT] = ()
    companions: Annotated[tuple[Companion, ...], LEFT_OUT] = ()
