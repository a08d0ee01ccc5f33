"""The words for everything that can be wrong with a file's structure."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from stemprep.model.header import HeaderFault
from stemprep.units import clock_from_samples

MAX_CHUNKS: Final = 4096
MAX_METADATA_BYTES: Final = 16_000_000
MIN_RATE_HZ: Final = 8_000
MAX_RATE_HZ: Final = 384_000
MAX_CHANNELS: Final = 64
MAX_CODED_SAMPLES: Final = 2**33
"""Over all channels, a day of stereo at 48 kHz: 15 MB of FLAC can hold hundreds of times that."""

_EXPORT_AGAIN = "Export the file again."
_REBUILT = "A copy with a rebuilt header and the same audio bytes cures it; keep the original."


def _bytes(count: int) -> str:
    return f"{count:,} byte" if count == 1 else f"{count:,} bytes"


def unreadable(found: str, required: str = "a sound file") -> HeaderFault:
    """Tell that nothing in the file can be understood as sound."""
    return HeaderFault(
        check="unreadable",
        code="unknown-content",
        severity="fail",
        found=found,
        required=required,
        message=f"this is no sound file that can be read: {found}",
        advice="Look at where the file came from and send it again, or take it out of the drop.",
    )


def impossible(code: str, found: str, required: str) -> HeaderFault:
    """Name a header field with a value that no recording can have."""
    return HeaderFault(
        check="header",
        code=code,
        severity="fail",
        found=found,
        required=required,
        message=f"the header says {found}; {required} is needed, so the sound cannot be read",
        advice=_EXPORT_AGAIN,
    )


def out_of_range(channels: int, rate_hz: float) -> HeaderFault | None:
    """Name a channel count or sample rate that no recording can have; None where both can be."""
    if not 1 <= channels <= MAX_CHANNELS:
        return impossible("channels", f"{channels} channels", f"1 to {MAX_CHANNELS} channels")
    if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        return impossible(
            "sample-rate",
            f"a sample rate of {rate_hz:.10g} Hz",
            f"{MIN_RATE_HZ} to {MAX_RATE_HZ} Hz",
        )
    return None


def repairable(code: str, found: str, required: str, message: str) -> HeaderFault:
    """Name a wrong header around sound that is all there."""
    return HeaderFault(
        check="header",
        code=code,
        severity="warn",
        found=found,
        required=required,
        message=message,
        advice=_REBUILT,
        repair="copy-audio",
    )


def remark(code: str, found: str, required: str, message: str) -> HeaderFault:
    """Name a deviation that harms nobody today."""
    return HeaderFault(
        check="header",
        code=code,
        severity="note",
        found=found,
        required=required,
        message=message,
        advice="Nothing needs doing for the sound.",
    )


def no_sound(found: str) -> HeaderFault:
    """Tell of a proper header with not one frame of sound behind it."""
    return HeaderFault(
        check="unreadable",
        code="no-sound",
        severity="fail",
        found=found,
        required="at least one frame of sound",
        message=f"the file holds a header and no sound: {found}",
        advice=_EXPORT_AGAIN,
    )


def truncated(declared: int | None, present: int, spare_bytes: int) -> HeaderFault:
    """Tell that the header promises more sound than the file holds; counts in frames."""
    promised = "an impossible length" if declared is None else f"{declared:,} frames"
    spare = f" and {_bytes(spare_bytes)} of a broken frame" if spare_bytes else ""
    return HeaderFault(
        check="truncated",
        code="data-beyond-end",
        severity="fail",
        found=f"{present} frames{spare}",
        required=promised.replace(",", ""),
        message=f"the header says {promised}, {present:,} are present{spare}: the end is missing",
        advice="Copy the file again from where it was made; the short one is never delivered.",
        start_sample=present,
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


def missing_pad(identifier: str, is_last: bool) -> HeaderFault:
    """Name an odd-sized chunk without the pad byte that RIFF demands."""
    found = f"no pad byte after the odd-sized chunk '{identifier}'"
    if is_last:
        return remark("pad-missing", found, "one zero byte", f"{found} at the end of the file")
    message = f"{found}: some programs lose everything that follows it"
    return repairable("pad-missing", found, "one zero byte", message)


def riff_size(declared: int, present: int) -> HeaderFault:
    """Tell that the outer size disagrees with the file."""
    return repairable(
        "riff-size",
        f"{declared} bytes",
        f"{present} bytes",
        f"the header says the file is {declared:,} bytes long, it is {present:,}; the sound "
        "is whole",
    )


def block_align(found: int, required: int) -> HeaderFault:
    """Tell that the frame size contradicts channels and word length."""
    return repairable(
        "block-align",
        f"{found} bytes a frame",
        f"{required} bytes a frame",
        f"the header contradicts itself: {found} bytes a frame, but channels and word length "
        f"make {required}; read with {required}",
    )


def byte_rate(found: int, required: int) -> HeaderFault:
    """Tell that the byte rate contradicts rate and frame size; no reader needs it."""
    return remark(
        "byte-rate",
        f"{found} bytes a second",
        f"{required} bytes a second",
        f"the header says {found} bytes a second, rate and frame size make {required}",
    )


def valid_bits(found: int, container_bits: int) -> HeaderFault:
    """Tell of more valid bits than the sample has."""
    return repairable(
        "valid-bits",
        f"{found} valid bits",
        f"at most {container_bits}",
        f"the header claims {found} valid bits in {container_bits}-bit samples",
    )


def chunk_size(identifier: str, declared: int) -> HeaderFault:
    """Name a chunk whose size leads nowhere; what follows it was found by searching."""
    return repairable(
        "chunk-size",
        f"chunk '{identifier}' of {declared} bytes",
        "a size that leads to the next chunk",
        f"the size of the chunk '{identifier}' ({declared} bytes) is wrong; "
        "what follows it was found by searching",
    )


def chunk_cut(identifier: str, declared: int, present: int) -> HeaderFault:
    """Name a chunk behind the sound that the end of the file cuts off."""
    return repairable(
        "chunk-cut",
        f"{present} bytes of the chunk '{identifier}'",
        f"{declared} bytes",
        f"the chunk '{identifier}' behind the sound is cut off ({present} of {declared} bytes); "
        "the sound is whole, the chunk cannot be carried",
    )


def broken_metadata(identifier: str, found: str) -> HeaderFault:
    """Name a metadata chunk that is not understood whole; the sound is not concerned."""
    return HeaderFault(
        check="header",
        code=f"{identifier.strip().lower()}-malformed",
        severity="warn" if identifier == "bext" else "note",
        found=found,
        required=f"a well-formed {identifier} chunk",
        message=f"the chunk '{identifier}' is malformed: {found}; the sound is not concerned",
        advice="Check name and start time of this file by other means.",
    )


def lossy(encoding: str, *, is_certain: bool = True) -> HeaderFault:
    """Name sound that went through a lossy coder, or (not certain) a container meant for such."""
    result = "sound was thrown away when it was made"
    if not is_certain:
        result = "a kind that is made for sound coded with loss; it is not decoded here"
    return HeaderFault(
        check="lossy-source",
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
        check="unreadable",
        code="unsupported-coding",
        severity="fail",
        found=coding,
        required="linear PCM, float or FLAC of 8, 16 or 24 bits",
        message=f"the file holds {coding}; sound of that kind is not decoded here",
        advice="Ask for a WAV export from the session; keep this file, it may be whole.",
    )


def too_much_coded(frames: int, channels: int) -> HeaderFault:
    """Name packed sound that would take hours to unpack; asked before any of it is decoded."""
    found = f"{frames:,} samples in each of {channels} channels"
    return HeaderFault(
        check="unreadable",
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
        check="header",
        code="rare-coding",
        severity="warn",
        found=f"the sample code '{code}'",
        required="a sample code that every program knows",
        message=f"the sample code '{code}' ({meaning}) is known to few programs: others refuse the "
        "file or play noise",
        advice="A WAV with the same samples cures it; keep the original.",
        repair="rewrap",
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
        check="header",
        code="sound-behind-length",
        severity="fail",
        found=f"{stated} frames",
        required=f"{present} frames",
        message=f"the header says {stated:,} frames, the file holds {present:,}: what lies "
        "behind the stated length is not decoded",
        advice=_EXPORT_AGAIN,
        start_sample=stated,
    )


def fractional_rate(rate_hz: float, taken_hz: int) -> HeaderFault:
    """Tell of a sample rate that is no whole number of Hz."""
    return remark(
        "fractional-rate",
        f"{rate_hz:.6f} Hz",
        f"{taken_hz} Hz",
        f"the header says {rate_hz:.6f} samples a second; {taken_hz} Hz is taken",
    )


def damaged(at_frame: int, rate_hz: int, found: str) -> HeaderFault:
    """Tell where decoding had to stop."""
    place = f"{clock_from_samples(at_frame, rate_hz)} (sample {at_frame:,})"
    return HeaderFault(
        check="unreadable",
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


def checksum_differs(stored: str, computed: str) -> HeaderFault:
    """Tell that the decoded sound is not what the file's own sum was made of."""
    return HeaderFault(
        check="checksum",
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
        check="checksum",
        code="md5-absent",
        severity="note",
        found="no MD5 stored",
        required="the MD5 of the sound",
        message="no checksum is stored inside the file: damage to its sound could go unseen",
        advice="Nothing needs doing for the sound.",
    )


def other_name(extension: str, named: str, content: str) -> HeaderFault:
    """Tell that the file name promises another container than the content is."""
    return remark(
        "extension",
        f"{content} content",
        f"{named} content under the extension .{extension}",
        f"the name says {named}, the content is {content}; it is read by its content",
    )


def stray_bytes(count: int, offset: int) -> HeaderFault:
    """Tell of bytes behind the last chunk that belong to none."""
    found = f"{count} bytes from byte {offset} on that belong to no chunk"
    if count < 8:
        return remark(
            "stray-bytes", found, "nothing behind the last chunk", f"the file ends with {found}"
        )
    return HeaderFault(
        check="header",
        code="stray-bytes",
        severity="warn",
        found=found,
        required="nothing behind the last chunk",
        message=f"the file holds {found}; they may be sound that the header does not count",
        advice="Compare the length with the session; if the end is missing, export the file again.",
    )
