"""The words for what is wrong with a file's header and chunks; ``sound_faults`` has the rest."""

from __future__ import annotations

from typing import Final

from stemprep.checks.header import ID as HEADER
from stemprep.checks.unreadable import ID as UNREADABLE
from stemprep.model.header import HeaderFault

MAX_CHUNKS: Final = 4096
MAX_METADATA_BYTES: Final = 16_000_000
MIN_RATE_HZ: Final = 8_000
MAX_RATE_HZ: Final = 384_000
MAX_CHANNELS: Final = 64

EXPORT_AGAIN = "Export the file again."
_REBUILT = "A copy with a rebuilt header and the same audio bytes cures it; keep the original."


def unreadable(found: str, required: str = "a sound file") -> HeaderFault:
    """Tell that nothing in the file can be understood as sound."""
    return HeaderFault(
        check=UNREADABLE,
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
        check=HEADER,
        code=code,
        severity="fail",
        found=found,
        required=required,
        message=f"the header says {found}; {required} is needed, so the sound cannot be read",
        advice=EXPORT_AGAIN,
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
        check=HEADER,
        code=code,
        severity="warn",
        found=found,
        required=required,
        message=message,
        advice=_REBUILT,
        repair="copy-audio",
    )


def ambiguous(code: str, found: str, required: str, message: str) -> HeaderFault:
    """Name what makes one file two: which reading is meant cannot be known here."""
    return HeaderFault(
        check=HEADER,
        code=code,
        severity="fail",
        found=found,
        required=required,
        message=message,
        advice="Open it where it was made, see which of the two is meant, and export it again.",
    )


def doubtful(code: str, found: str, required: str, message: str) -> HeaderFault:
    """Name metadata that says two things; the sound is not concerned."""
    return HeaderFault(
        check=HEADER,
        code=code,
        severity="warn",
        found=found,
        required=required,
        message=message,
        advice="Ask where the file was made which of the two holds; the sound is not concerned.",
    )


def remark(code: str, found: str, required: str, message: str) -> HeaderFault:
    """Name a deviation that harms nobody today."""
    return HeaderFault(
        check=HEADER,
        code=code,
        severity="note",
        found=found,
        required=required,
        message=message,
        advice="Nothing needs doing for the sound.",
    )


def id3_in_front(tag_bytes: int, first: str) -> HeaderFault:
    """Tell of a tag of another kind of file in front of the sound's own header."""
    found = f"an ID3 tag of {tag_bytes} bytes in front of the file"
    message = f"{found}: many programs do not open it"
    return repairable("id3-in-front", found, f"'{first}' first", message)


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


def word_layout(align: int, packed: int, bits: int, word_bytes: int) -> HeaderFault:
    """Tell of words that lie in wider frames than they need, or may; what is meant is not known."""
    return HeaderFault(
        check=HEADER,
        code="word-layout",
        severity="fail",
        found=f"{align} bytes a frame",
        required=f"{packed} bytes a frame",
        message=f"the header says {bits} bits in {align} bytes a frame, {packed} are enough: the "
        f"samples may lie in words of {word_bytes} bytes or be packed, and programs read one or "
        "the other; by the wrong one all is noise, so nothing was measured",
        advice="Export it again as plain 24-bit PCM, or open it where it was made.",
    )


def byte_rate(found: int, required: int) -> HeaderFault:
    """Tell that the byte rate contradicts rate and frame size; no reader needs it."""
    return remark(
        "byte-rate",
        f"{found} bytes a second",
        f"{required} bytes a second",
        f"the header says {found} bytes a second, rate and frame size make {required}",
    )


def channel_mask(mask: int, channels: int) -> HeaderFault:
    """Tell of a channel mask that names more or fewer loudspeakers than there are channels."""
    named = mask.bit_count()
    speakers = "1 loudspeaker" if named == 1 else f"{named} loudspeakers"
    count = "1 channel" if channels == 1 else f"{channels} channels"
    return repairable(
        "channel-mask",
        f"a channel mask of {speakers}",
        f"{channels}, or none",
        f"the header assigns {speakers} (mask 0x{mask:X}) to {count}: programs differ in what "
        "they play where",
    )


def data_size(stated: int, stated_64: int) -> HeaderFault:
    """Tell of an RF64 whose two sizes of the sound contradict each other."""
    return repairable(
        "data-size",
        f"{stated} bytes in the chunk 'data', {stated_64} in 'ds64'",
        "one size",
        f"the header gives two sizes for the sound: {stated:,} bytes in the chunk 'data', "
        f"{stated_64:,} in 'ds64'; the first counts (EBU Tech 3306), some programs take the other",
    )


def sizes_missing(kind: str) -> HeaderFault:
    """Tell of an RF64 or BW64 without the chunk that makes it one."""
    return repairable(
        "ds64-missing",
        f"no chunk 'ds64' before the sound of an {kind} file",
        "'ds64' first",
        f"the file calls itself {kind} and lacks the chunk 'ds64' with its sizes: many programs "
        "do not open it",
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
        check=HEADER,
        code=f"{identifier.strip().lower()}-malformed",
        severity="warn" if identifier == "bext" else "note",
        found=found,
        required=f"a well-formed {identifier} chunk",
        message=f"the chunk '{identifier}' is malformed: {found}; the sound is not concerned",
        advice="Check name and start time of this file by other means.",
    )


def fractional_rate(rate_hz: float, taken_hz: int) -> HeaderFault:
    """Tell of a sample rate that is no whole number of Hz."""
    return remark(
        "fractional-rate",
        f"{rate_hz:.6f} Hz",
        f"{taken_hz} Hz",
        f"the header says {rate_hz:.6f} samples a second; {taken_hz} Hz is taken",
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
        check=HEADER,
        code="stray-bytes",
        severity="warn",
        found=found,
        required="nothing behind the last chunk",
        message=f"the file holds {found}; they may be sound that the header does not count",
        advice="Compare the length with the session; if the end is missing, export the file again.",
    )
