"""The words for what is wrong with a file's sound: its length, its coding, its checksum."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from stemprep.checks.checksum import ID as CHECKSUM
from stemprep.checks.header import ID as HEADER
from stemprep.checks.lossy_source import ID as LOSSY_SOURCE
from stemprep.checks.truncated import ID as TRUNCATED
from stemprep.checks.unreadable import ID as UNREADABLE
from stemprep.containers.faults import EXPORT_AGAIN, repairable
from stemprep.model.header import HeaderFault
from stemprep.units import clock_from_samples

MAX_CODED_SAMPLES: Final = 2**33
"""Over all channels, a day of stereo at 48 kHz: 15 MB of FLAC can hold hundreds of times that."""


def _bytes(count: int) -> str:
    return f"{count:,} byte" if count == 1 else f"{count:,} bytes"


def no_sound(found: str) -> HeaderFault:
    """Tell of a proper header with not one frame of sound behind it."""
    return HeaderFault(
        check=UNREADABLE,
        code="no-sound",
        severity="fail",
        found=found,
        required="at least one frame of sound",
        message=f"the file holds a header and no sound: {found}",
        advice=EXPORT_AGAIN,
    )


def truncated(declared: int | None, present: int, spare_bytes: int) -> HeaderFault:
    """Tell that the header promises more sound than the file holds; counts in frames."""
    promised = "an impossible length" if declared is None else f"{declared:,} frames"
    spare = f" and {_bytes(spare_bytes)} of a broken frame" if spare_bytes else ""
    return HeaderFault(
        check=TRUNCATED,
        code="data-beyond-end",
        severity="fail",
        found=f"{present} frames{spare}",
        required=promised.replace(",", ""),
        message=f"the header says {promised}, {present:,} are present{spare}: the end is missing",
        advice="Copy the file again from where it was made; the short one is never delivered.",
        start_sample=present,
    )


def cut_frame(present: int, lost: int) -> HeaderFault:
    """Tell that a stream which states no length ends inside a frame; counts in samples."""
    return replace(
        truncated(None, present, 0),
        code="frame-cut",
        found=f"{present} samples a channel and part of a frame of {lost}",
        required="a last frame that is whole",
        message=f"the last frame is incomplete: behind {present:,} samples a channel the end is "
        f"missing, at least the {lost:,} of that frame",
    )


def placeholder(declared: int, present_bytes: int, present: int, spare_bytes: int) -> HeaderFault:
    """Tell of size fields never written back by an interrupted or streaming writer."""
    spare = f" and {_bytes(spare_bytes)} of a broken last frame" if spare_bytes else ""
    return repairable(
        "size-placeholder",
        f"a data size of {declared}, followed by {present_bytes} bytes",
        "the size of the sound",
        f"the recording was not closed properly: the header says {_bytes(declared)} of sound, "
        f"{_bytes(present_bytes)} ({present:,} frames{spare}) follow up to the end of the file",
    )


def partial_frame(spare_bytes: int, block_align: int) -> HeaderFault:
    """Tell that the sound does not end with a whole frame."""
    return repairable(
        "partial-frame",
        f"{spare_bytes} spare bytes",
        f"a multiple of {block_align} bytes",
        f"the last frame is incomplete: {spare_bytes} of {block_align} bytes; it is left out",
    )


def frame_count(stated: int, present: int) -> HeaderFault:
    """Tell of a frame count that is lower than what the sound's own size gives."""
    return repairable(
        "frame-count",
        f"{stated} frames",
        f"{present} frames",
        f"the header says {stated:,} frames, the sound is {present:,} frames long; all are read",
    )


def sound_behind_length(stated: int, present: int) -> HeaderFault:
    """Tell of sound behind the stated length that decoders leave out; no copy would hold it."""
    return HeaderFault(
        check=HEADER,
        code="sound-behind-length",
        severity="fail",
        found=f"{stated} frames",
        required=f"{present} frames",
        message=f"the header says {stated:,} frames, the file holds {present:,}: what lies "
        "behind the stated length is not decoded",
        advice=EXPORT_AGAIN,
        start_sample=stated,
    )


def damaged(at_frame: int, rate_hz: int, found: str) -> HeaderFault:
    """Tell where decoding had to stop."""
    place = f"{clock_from_samples(at_frame, rate_hz)} (sample {at_frame:,})"
    return HeaderFault(
        check=UNREADABLE,
        code="damaged-sound",
        severity="fail",
        found=f"{found} at {place}",
        required="sound that decodes to its last frame",
        message=f"the sound is damaged at {place}: {found}",
        advice="Copy the file again from where it was made; nothing of it is delivered.",
        start_sample=at_frame,
    )


def decoded_short(declared: int, present: int, rate_hz: int) -> HeaderFault:
    """Tell that decoding ended before the sound that the header promises."""
    place = clock_from_samples(present, rate_hz)
    return replace(
        truncated(declared, present, 0),
        code="decoded-short",
        message=f"the header says {declared:,} frames, only {present:,} can be decoded: "
        f"the end is missing or broken from {place} on",
    )


def lossy(encoding: str, *, is_certain: bool = True) -> HeaderFault:
    """Name sound that went through a lossy coder, or (not certain) a container meant for such."""
    result = "sound was thrown away when it was made"
    if not is_certain:
        result = "a kind that is made for sound coded with loss; it is not decoded here"
    return HeaderFault(
        check=LOSSY_SOURCE,
        code="lossy-encoding",
        severity="fail",
        found=encoding,
        required="linear PCM or float",
        message=f"the file holds {encoding}: {result}",
        advice="Ask for a WAV export from the session; converting this file back brings nothing.",
    )


def unsupported(coding: str) -> HeaderFault:
    """Name sound that is proper of its kind and cannot be decoded here."""
    return HeaderFault(
        check=UNREADABLE,
        code="unsupported-coding",
        severity="fail",
        found=coding,
        required="linear PCM, float or FLAC",
        message=f"the file holds {coding}; sound of that kind is not decoded here",
        advice="Ask for a WAV export from the session; keep this file, it may be whole.",
    )


def too_much_coded(frames: int, channels: int) -> HeaderFault:
    """Name packed sound that would take hours to unpack; asked before any of it is decoded."""
    found = f"{frames:,} samples in each of {channels} channels"
    return HeaderFault(
        check=UNREADABLE,
        code="too-much-coded",
        severity="fail",
        found=found,
        required=f"at most {MAX_CODED_SAMPLES:,} samples altogether",
        message=f"the file unpacks to {found}, at most {MAX_CODED_SAMPLES:,} altogether are read",
        advice="Ask for a WAV export from the session, or for shorter files.",
    )


def rare_coding(code: str, meaning: str) -> HeaderFault:
    """Name a sample code that is understood here and in few other places."""
    return HeaderFault(
        check=HEADER,
        code="rare-coding",
        severity="warn",
        found=f"the sample code '{code}'",
        required="a sample code that every program knows",
        message=f"the sample code '{code}' ({meaning}) is known to few programs: others refuse the "
        "file or play noise",
        advice="A WAV with the same samples cures it; keep the original.",
        repair="rewrap",
    )


def checksum_differs(stored: str, computed: str) -> HeaderFault:
    """Tell that the decoded sound is not what the file's own sum was made of."""
    return HeaderFault(
        check=CHECKSUM,
        code="md5-differs",
        severity="fail",
        found=f"MD5 {computed}",
        required=f"MD5 {stored}",
        message="the decoded sound does not match the checksum (MD5) stored inside the file",
        advice="Ask for the file again from the place that has the original.",
    )


def checksum_absent() -> HeaderFault:
    """Tell that a file could prove its sound and does not; legal."""
    return HeaderFault(
        check=CHECKSUM,
        code="md5-absent",
        severity="note",
        found="no MD5 stored",
        required="the MD5 of the sound",
        message="no checksum is stored inside the file: damage to its sound could go unseen",
        advice="Nothing needs doing for the sound.",
    )
