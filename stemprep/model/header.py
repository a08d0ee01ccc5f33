"""What a file says about itself, before anybody listens to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from stemprep.model.record_codec import FLAT, LEFT_OUT, Written
from stemprep.model.value_types import Count
from stemprep.model.words import Container, Encoding, OperationName, Severity

WAV_FAMILY: frozenset[Container] = frozenset({"WAV", "RF64", "BW64"})
"""Containers that hold the same chunks: any of them can be written as another of them."""
_METADATA = Written(inside="metadata")
RF64_ABOVE_BYTES = 4_294_000_000
"""What is longer is written as RF64; a little under 2**32, so that later chunks still fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFormat:
    """Container and sample format of one file.

    bit_depth:      valid bits per sample as the header states them (20 in a 24-bit container).
    container_bits: bits that one stored sample occupies (24 in that case).
    channel_mask:   speaker bits of WAVE_FORMAT_EXTENSIBLE; None where the format has none.
    """

    container: Container
    encoding: Encoding
    sample_rate_hz: Count
    channels: Count
    bit_depth: Count
    container_bits: int
    channel_mask: int | None = None

    @property
    def frame_bytes(self) -> int:
        """Bytes that one sample of every channel occupies; 0 for coded sound."""
        return self.channels * self.container_bits // 8


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderFault:
    """One thing wrong with a file's structure.

    check:        id of the check that reports it (``header``, ``truncated``, ``unreadable``, ...).
    code:         short name of the fault, stable across releases (``size-placeholder``).
    severity:     the worst this fault can be; the spec may lower it.
    start_sample: first frame affected, 0-based; None where the fault has no place in the sound.
    repair:       operation that would cure it in a copy; None where nothing can.
    """

    check: str
    code: str
    severity: Severity
    found: str
    required: str
    message: str
    advice: str
    start_sample: int | None = None
    repair: OperationName | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bext:
    """Broadcast extension chunk, EBU Tech 3285 v0-v2.

    time_reference_samples: samples since midnight at the file's own rate.
    umid:                   64 bytes (zeros where unused); b"" for version 0.
    loudness fields:        None where unused (0x7FFF) or before version 2.
    """

    version: int = 2
    description: str = ""
    originator: str = ""
    originator_reference: str = ""
    origination_date: str = ""
    origination_time: str = ""
    time_reference_samples: int = 0
    umid: bytes = b""
    loudness_lufs: float | None = None
    loudness_range_lu: float | None = None
    max_true_peak_dbtp: float | None = None
    max_momentary_lufs: float | None = None
    max_short_term_lufs: float | None = None
    coding_history: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class IxmlTrack:
    """One TRACK of an iXML TRACK_LIST; interleave_index counts from 1."""

    interleave_index: int
    name: str
    function: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ixml:
    """The iXML fields that matter here; the chunk itself is carried as bytes elsewhere.

    time_reference_samples: TIMESTAMP_SAMPLES_SINCE_MIDNIGHT; None where absent.
    is_well_formed:         False where the chunk is not XML, has a DTD or is over 1 MB.
    parts:                  names of the root's children, each once, in order.
    file_rate_hz, bit_depth, track_count: what it says of the file; None where it does not.
    files_of_set:           of how many files the set is that it describes; None where absent.
    """

    is_well_formed: bool = True
    project: str = ""
    scene: str = ""
    take: str = ""
    tape: str = ""
    note: str = ""
    file_uid: str = ""
    tracks: tuple[IxmlTrack, ...] = ()
    time_reference_samples: int | None = None
    timecode_rate: str = ""
    parts: tuple[str, ...] = ()
    file_rate_hz: int | None = None
    bit_depth: int | None = None
    track_count: int | None = None
    files_of_set: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """A marker inside a file; position and length in samples at the file's own rate."""

    identifier: int
    position_samples: int
    label: str = ""
    note: str = ""
    length_samples: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplerLoop:
    """A loop of a ``smpl`` chunk; samples at the file's own rate, the last one played included."""

    first_sample: int
    last_sample: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AdmTrack:
    """One entry of a ``chna`` chunk (ITU-R BS.2088): which channel, from 1, carries which UID."""

    channel: int
    uid: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """Place of one chunk's payload in the file, bytes.

    identifier: the four-letter code; form: list type of a ``LIST`` chunk, "" for others.
    """

    identifier: str
    offset_bytes: int
    size_bytes: int
    form: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """Everything read from a file's structure without decoding its sound.

    format:            None when the file could not be understood at all.
    declared_frames:   frames that the header promises; None where it is silent or a placeholder.
    frames:            whole frames that are really there.
    data_offset_bytes, data_size_bytes: the byte range of the sound for PCM and float RIFF
                       files (size = what is really there, whole frames only); 0, 0 for others.
    adm_uids:          track UIDs that the ``axml`` chunk defines, in order; None without one.
    """

    format: Annotated[AudioFormat | None, FLAT]
    declared_frames: int | None = None
    frames: Annotated[int, LEFT_OUT] = 0
    data_offset_bytes: Annotated[int, LEFT_OUT] = 0
    data_size_bytes: Annotated[int, LEFT_OUT] = 0
    faults: Annotated[tuple[HeaderFault, ...], Written("header_faults")] = ()
    bext: Annotated[Bext | None, _METADATA] = None
    ixml: Annotated[Ixml | None, _METADATA] = None
    cues: Annotated[tuple[Cue, ...], _METADATA] = ()
    info: Annotated[tuple[tuple[str, str], ...], _METADATA] = ()
    loops: Annotated[tuple[SamplerLoop, ...], _METADATA] = ()
    adm_tracks: Annotated[tuple[AdmTrack, ...], _METADATA] = ()
    adm_uids: Annotated[tuple[str, ...] | None, _METADATA] = None
    chunks: Annotated[tuple[Chunk, ...], _METADATA] = ()

    @property
    def is_readable(self) -> bool:
        """True when there is sound that can be measured."""
        return self.format is not None and self.frames > 0

    @property
    def time_reference_samples(self) -> Annotated[int | None, Written()]:
        """Start of the file since midnight, from bext, else iXML; None where neither says."""
        if self.bext is not None:
            return self.bext.time_reference_samples
        return None if self.ixml is None else self.ixml.time_reference_samples
