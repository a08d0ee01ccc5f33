"""What checking a whole shelf of packages has shown, against its log and against a second copy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from stemprep.model.package import Verification

PackageState = Literal["whole", "damaged", "incomplete"]
CopyState = Literal["same", "damaged", "missing", "other"]
COPY_STATES: tuple[CopyState, ...] = get_args(CopyState)
"""same: whole, with the same seal.  damaged: of the same package, not whole.  missing: not there.
other: whole, but another package, or another packing of it.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedCheck:
    """What the log says of a package's last check; checked_at: ISO 8601, UTC."""

    checked_at: str
    package: str
    state: str
    seal: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyCheck:
    """What became of the second copy of a package, and why it is called so."""

    place: str
    state: CopyState
    verification: Verification | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfEntry:
    """One package of a shelf.

    name: its path below the shelf.
    last: its last check in the log; None where it was never checked.
    """

    name: str
    verification: Verification
    last: LoggedCheck | None = None
    copy: CopyCheck | None = None

    @property
    def state(self) -> PackageState:
        """whole, damaged, or incomplete."""
        if not self.verification.is_complete:
            return "incomplete"
        return "whole" if self.verification.is_whole else "damaged"

    @property
    def is_exchanged(self) -> bool:
        """True where the log knows another seal: a whole package took the place of this one."""
        seal = self.verification.tag_manifest_sha256
        return self.last is not None and bool(self.last.seal) and seal != self.last.seal

    @property
    def is_proved(self) -> bool:
        """True where the package is whole, the one that was logged, and its copy the same."""
        is_copied = self.copy is None or self.copy.state == "same"
        return self.state == "whole" and not self.is_exchanged and is_copied


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfCheck:
    """The check of a whole shelf.

    gone: packages that the log knows and that are no longer there.
    log:  where the log lies.
    """

    shelf: str
    checked_at: str
    entries: tuple[ShelfEntry, ...]
    gone: tuple[LoggedCheck, ...] = ()
    log: str = ""

    @property
    def is_proved(self) -> bool:
        """True where every package is proved and none is gone."""
        return not self.gone and all(entry.is_proved for entry in self.entries)
