"""What happened to one file between two packages, read from hashes and measurements.

A gain moves peak and energy of a sound alike and leaves the peak where it was; a move keeps both
and shifts the peak by as much as the silence before it. Anything else is another recording.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated, Literal, get_args

from stemprep.lineage.records import DeliveredFile
from stemprep.lineage.stated_facts import FactChange, changed_values
from stemprep.model.definition import ItemCount

ChangeKind = Literal[
    "added",
    "removed",
    "renamed",
    "re-recorded",
    "prepared",
    "level",
    "timing",
    "format",
    "header",
    "filed",
]
CHANGE_KINDS: tuple[ChangeKind, ...] = get_args(ChangeKind)
"""What happened to a file; several may hold at once (renamed and re-recorded).

prepared: made from the same recording by other work.  level: the same sound at another level.
timing: the same sound at another place in the file or on the timeline.  format: rate, word length,
channels or container.  header: the same samples, another header.  filed: the same file under
another role or song.
"""

LEVEL_TOLERANCE_DB = 0.02
"""Peak and level of 16-bit copies of one sound agree to within this (common practice)."""
_FORMAT = ("container", "encoding", "sample_rate_hz", "bit_depth", "channels")
_COMPARED = (*_FORMAT, "frames", "time_reference_samples")


@dataclass(frozen=True, slots=True, kw_only=True)
class FileChange:
    """One file that is not as it was; paths below the payload.

    path:  in the new package; of a removed file, in the old one.
    was:   in the old package; None for an added file.
    gain_db: new minus old, where the kind is level.
    moved_samples: how much later the sound lies, on the timeline where both files say where they
           begin, else in the file; 0 where only the file begins elsewhere. None: not timing.
    peak_change_db, loudness_change_lu: new minus old for re-recorded sound; None where one of them
           was not measurable.
    facts: of the file, that moved.
    """

    path: str
    was: str | None
    kinds: Annotated[tuple[ChangeKind, ...], ItemCount(1)]
    made_by_us: bool = False
    gain_db: float | None = None
    moved_samples: int | None = None
    peak_change_db: float | None = None
    loudness_change_lu: float | None = None
    facts: tuple[FactChange, ...] = ()


def change_of(old: DeliveredFile, new: DeliveredFile) -> FileChange | None:
    """What happened to a file that is the same one in both; None where nothing did."""
    facts = changed_values([(name, old.facts.get(name), new.facts.get(name)) for name in _COMPARED])
    facts += changed_values([("role", old.role, new.role), ("song", old.song, new.song)])
    moved = {change.name for change in facts}
    change = FileChange(path=new.path, was=old.path, kinds=(), made_by_us=new.made_by_us)
    if old.sha256 != new.sha256:
        change = _of_sound(change, old, new)
    kinds: list[ChangeKind] = list(change.kinds)
    kinds += ["renamed"] if old.path != new.path else []
    kinds += ["filed"] if moved & {"role", "song"} else []
    kinds += ["format"] if old.sha256 != new.sha256 and moved & set(_FORMAT) else []
    if not kinds:
        return None
    ordered = tuple(kind for kind in CHANGE_KINDS if kind in kinds)
    return replace(change, kinds=ordered, facts=tuple(facts))


def _of_sound(change: FileChange, old: DeliveredFile, new: DeliveredFile) -> FileChange:
    """The change with what happened to the samples of two files that differ."""
    if old.audio_sha256 is not None and old.audio_sha256 == new.audio_sha256:
        shift = _timeline_shift(old, new, 0)
        kind: ChangeKind = "timing" if shift else "header"
        return replace(change, kinds=(kind,), moved_samples=shift or None)
    gain_db, shift_in_file = _gain_db(old, new), _shift(old, new)
    if gain_db is not None and shift_in_file is not None:
        is_louder = abs(gain_db) > LEVEL_TOLERANCE_DB
        if is_louder or shift_in_file:
            later = _timeline_shift(old, new, shift_in_file)
            return replace(
                change,
                kinds=(*_if(is_louder, "level"), *_if(bool(shift_in_file), "timing")),
                gain_db=gain_db if is_louder else None,
                moved_samples=later if shift_in_file else None,
            )
    if _is_one_recording(old, new):
        return replace(change, kinds=("prepared",))
    return replace(
        change,
        kinds=("re-recorded",),
        peak_change_db=_difference(old, new, "sample_peak_dbfs"),
        loudness_change_lu=_difference(old, new, "loudness_lufs"),
    )


def _is_one_recording(old: DeliveredFile, new: DeliveredFile) -> bool:
    """Tell whether both were made from the same sound, whatever was done to it."""
    before, after = ([source.audio_sha256 for source in file.sources] for file in (old, new))
    return bool(before) and before == after and None not in before


def _if(is_so: bool, kind: ChangeKind) -> tuple[ChangeKind, ...]:
    return (kind,) if is_so else ()


def _difference(old: DeliveredFile, new: DeliveredFile, name: str) -> float | None:
    before, after = old.figure(name), new.figure(name)
    if before is None or after is None or math.isinf(before) or math.isinf(after):
        return None
    return after - before


def _gain_db(old: DeliveredFile, new: DeliveredFile) -> float | None:
    """The gain that peak and energy of both agree on; None where it is another sound.

    Energy is counted over the whole file, so that silence put before or after does not matter.
    """
    if any(old.whole(name) != new.whole(name) for name in ("sample_rate_hz", "channels")):
        return None
    if old.whole("sample_peak_channel") != new.whole("sample_peak_channel"):
        return None
    peak_db, level_db = (_difference(old, new, n) for n in ("sample_peak_dbfs", "rms_dbfs"))
    frames = old.whole("frames"), new.whole("frames")
    if peak_db is None or level_db is None or frames[0] is None or frames[1] is None:
        return None
    if frames[0] <= 0 or frames[1] <= 0:
        return None
    energy_db = level_db + 10.0 * math.log10(frames[1] / frames[0])
    return peak_db if abs(peak_db - energy_db) <= LEVEL_TOLERANCE_DB else None


def _shift(old: DeliveredFile, new: DeliveredFile) -> int | None:
    """How much later in the file the peak lies; None where silence before it says otherwise."""
    before, after = (file.whole("sample_peak_sample") for file in (old, new))
    if before is None or after is None:
        return None
    leading = _leading(old), _leading(new)
    if before != after and (leading[0] is None or leading[1] is None):
        return None
    is_agreed = before == after or (leading[1] or 0) - (leading[0] or 0) == after - before
    return after - before if is_agreed else None


def _leading(file: DeliveredFile) -> int | None:
    silence = file.facts.get("silence")
    value = silence.get("leading_samples") if isinstance(silence, dict) else None
    return value if isinstance(value, int) else None


def _timeline_shift(old: DeliveredFile, new: DeliveredFile, shift: int) -> int:
    """A shift in the file, on the timeline where both files say where they begin."""
    before, after = (file.whole("time_reference_samples") for file in (old, new))
    return shift if before is None or after is None else shift + after - before
