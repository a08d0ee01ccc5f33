"""Where a file's linear sound lies, and whether it is as long as the header promises."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from stemprep.containers import sound_faults
from stemprep.model.header import AudioFormat, HeaderFault


@dataclass(frozen=True, slots=True)
class DataRange:
    """The sound's bytes: declared is None for a placeholder; present is what the file holds."""

    offset: int
    declared: int | None
    stated: int
    present: int

    def behind_head(self, head_bytes: int) -> DataRange:
        """The range without what a container writes into the chunk in front of the sound."""
        skipped = min(head_bytes, self.present)
        declared = None if self.declared is None else max(0, self.declared - skipped)
        return DataRange(self.offset + skipped, declared, self.stated, self.present - skipped)


@dataclass(frozen=True, slots=True)
class Sound:
    """Where the whole frames lie, and what is wrong with their number; offset and size in bytes."""

    declared_frames: int | None = None
    frames: int = 0
    offset: int = 0
    size: int = 0
    faults: tuple[HeaderFault, ...] = ()


def locate_sound(audio_format: AudioFormat | None, data: DataRange | None, chunk: str) -> Sound:
    """Whole frames that are really there; nothing for coded sound, which is not ours to count.

    chunk: the name of the chunk that should hold the sound, for the message where there is none.
    """
    if data is None:
        return Sound(faults=(sound_faults.no_sound(f"there is no '{chunk}' chunk"),))
    if audio_format is None or audio_format.encoding not in ("integer", "float"):
        return Sound()
    align = audio_format.frame_bytes
    frames, spare = divmod(data.present, align)
    declared = None if data.declared is None else data.declared // align
    told = _length_fault(data, frames, spare, align)
    if frames == 0:
        found = f"{data.present} bytes where the sound should be"
        told = (
            told if told is not None and told.severity == "fail" else sound_faults.no_sound(found)
        )
    size = frames * align
    return Sound(declared, frames, data.offset if size else 0, size, (told,) if told else ())


def told_together(
    of_format: Iterable[HeaderFault], of_length: Iterable[HeaderFault]
) -> list[HeaderFault]:
    """Faults of both; without a format that is understood, nothing can be said of the length."""
    told = list(of_format)
    return told if any(fault.severity == "fail" for fault in told) else [*told, *of_length]


def _length_fault(data: DataRange, frames: int, spare: int, align: int) -> HeaderFault | None:
    if data.declared is None:
        return sound_faults.placeholder(data.stated, data.present, frames, spare)
    if data.declared > data.present:
        return sound_faults.truncated(data.declared // align, frames, spare)
    return sound_faults.partial_frame(spare, align) if spare else None
