"""What travels, what is carried beside the sound, and what is left out, with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.checks.checksum import ID as CHECKSUM
from stemprep.checks.header import ID as HEADER
from stemprep.checks.truncated import ID as TRUNCATED
from stemprep.checks.unreadable import ID as UNREADABLE
from stemprep.model.plan import LeftOut
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import DropEntry, MeasuredFile, MeasuredSession

_DAMAGE_CHECKS = frozenset({UNREADABLE, TRUNCATED, CHECKSUM})


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Audio that travels in the session's order, carried entries, and everything else."""

    files: tuple[MeasuredFile, ...]
    documents: tuple[DropEntry, ...]
    left_out: tuple[LeftOut, ...]


def select(measured: MeasuredSession, spec: DeliverySpec) -> Selection:
    """Sort the drop; every entry is in exactly one of the three."""
    reasons = [(file, _reason(file, spec)) for file in measured.files]
    others = [e for e in measured.session.entries if e.kind != "audio"]
    left_out = [LeftOut(path=f.path, reason=why) for f, why in reasons if why]
    left_out += [
        LeftOut(path=entry.path, reason=entry.reason or _KIND_REASONS[entry.kind])
        for entry in others
        if entry.kind in _KIND_REASONS
    ]
    return Selection(
        files=tuple(file for file, why in reasons if not why),
        documents=tuple(entry for entry in others if entry.kind in ("document", "sheet")),
        left_out=tuple(sorted(left_out, key=lambda item: item.path)),
    )


_KIND_REASONS = {
    "clutter": "made by the system, not by people",
    "unsafe": "not a file that can be taken safely",
}


def _reason(file: MeasuredFile, spec: DeliverySpec) -> str:
    contents = spec.contents
    if file.role in contents.left_out_roles:
        return f"{file.role} does not travel in this package"
    if contents.layout == "roles" and file.source.use == "unused":
        return "marked unused in the session sheet"
    if is_unheard(file) and not contents.is_damaged_kept:
        return "could not be read"
    return ""


def is_unheard(file: MeasuredFile) -> bool:
    """Tell whether nothing could be decoded."""
    return file.facts.format is None or file.facts.sound is None


def is_damaged(file: MeasuredFile) -> bool:
    """Tell whether the file could not be read whole."""
    faults = file.facts.header.faults
    return is_unheard(file) or any(
        fault.check in _DAMAGE_CHECKS and fault.severity == "fail" for fault in faults
    )


def is_doubtful(file: MeasuredFile) -> bool:
    """Tell whether others cannot open a file that was read whole here, or read it otherwise."""
    faults = file.facts.header.faults
    return not is_damaged(file) and any(
        fault.check == HEADER and fault.severity == "fail" for fault in faults
    )


def titles_of(files: Sequence[MeasuredFile], songs: Sequence[str]) -> tuple[str, ...]:
    """Songs that have files, in the session's order."""
    present = {file.source.song for file in files}
    ordered = dict.fromkeys((*songs, *(file.source.song for file in files)))
    return tuple(title for title in ordered if title in present)
