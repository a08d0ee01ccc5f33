"""What checking a whole shelf of packages has shown, against its log and against other copies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from stemprep.model.package import Damage, PackageState, Verification
from stemprep.model.record_codec import AS_ITSELF, EMPTY_IS_NULL, FLAT, LEFT_OUT, Written

TAG_MANIFEST = "tagmanifest-sha256.txt"
"""The file whose hash is the seal."""
LoggedState = Literal["whole", "damaged", "incomplete", "exchanged", "confirmed", "removed"]
CONFIRMED_STATES = ("confirmed", "removed")
CopyState = Literal["same", "damaged", "missing", "other"]
"""same: whole, the same package.  damaged: of the same package, not whole.  missing: not there.
other: whole, but another package, or another packing of it.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedCheck:
    """What the log says of a package.

    checked_at:   time of the last check, ISO 8601, UTC; state, seal: what it found.
    known_seal:   seal of the first check, or of the last one that a person confirmed; what lies
                  there is held against this one, whatever lay there since.
    known_at:     time of that check.
    damaged_at:   time of the last check that found damage, with ``damage``, the first one, since
                  the last confirmation; "": none.
    """

    checked_at: Annotated[str, Written("last_checked_at")]
    package: Annotated[str, LEFT_OUT]
    state: Annotated[str, Written("last_state")]
    seal: Annotated[str, LEFT_OUT]
    known_seal: Annotated[str, EMPTY_IS_NULL] = ""
    known_at: Annotated[str, EMPTY_IS_NULL] = ""
    damaged_at: Annotated[str, Written("last_damaged_at", is_empty_null=True)] = ""
    damage: Annotated[str, LEFT_OUT] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyCheck:
    """What became of one copy of a package, and why it is called so.

    fetch:    files of the first package that are lost there and whole in this copy.
    commands: lines of a shell that fetch them.
    mend, mend_commands: the same for what this copy lost and the first package holds whole.
    """

    place: str
    state: CopyState
    verification: Annotated[Verification | None, LEFT_OUT] = None
    fetch: tuple[str, ...] = ()
    commands: Annotated[tuple[str, ...], Written("fetch_commands")] = ()
    mend: tuple[str, ...] = ()
    mend_commands: tuple[str, ...] = ()

    @property
    def damages(self) -> Annotated[tuple[Damage, ...], AS_ITSELF]:
        """What differs in the copy, as far as it could be checked."""
        return () if self.verification is None else self.verification.damages


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfEntry:
    """One package of a shelf.

    name: its path below the shelf.
    last: what the log says of it; None where it was never checked.
    """

    name: str
    verification: Annotated[Verification, FLAT]
    last: Annotated[LoggedCheck | None, FLAT] = None
    copies: tuple[CopyCheck, ...] = ()

    @property
    def state(self) -> PackageState:
        """whole, damaged, or incomplete."""
        return self.verification.state

    @property
    def first_copy(self) -> Annotated[CopyCheck | None, Written("copy")]:
        """The copy in the first place that was named; None where none was."""
        return self.copies[0] if self.copies else None

    @property
    def seal(self) -> str | None:
        """The package's seal; None where the file that gives it is missing or damaged itself."""
        is_damaged = any(damage.path == TAG_MANIFEST for damage in self.verification.damages)
        return None if is_damaged else self.verification.tag_manifest_sha256

    @property
    def is_exchanged(self) -> Annotated[bool, AS_ITSELF]:
        """True where the log knows another seal: a whole package took the place of this one.

        It stays so, check after check, until the first one is back or a person confirms the other.
        """
        if self.seal is None or self.last is None or not self.last.known_seal:
            return False
        return self.seal != self.last.known_seal

    @property
    def is_whole_again(self) -> Annotated[bool, AS_ITSELF]:
        """True where the log knows damage that nobody has confirmed as mended."""
        return self.state == "whole" and self.last is not None and bool(self.last.damaged_at)

    @property
    def logged_state(self) -> LoggedState:
        """What the log is to say of it."""
        return "exchanged" if self.state == "whole" and self.is_exchanged else self.state

    @property
    def is_proved(self) -> bool:
        """True where the package is whole, the one that was logged, and its copies the same."""
        is_copied = all(copy.state == "same" for copy in self.copies)
        return self.state == "whole" and not self.is_exchanged and is_copied


@dataclass(frozen=True, slots=True, kw_only=True)
class OnlyCopy:
    """A package that lies in a place of copies and not on the shelf; name: its path below it."""

    place: str
    name: Annotated[str, Written("package")]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfCheck:
    """The check of a whole shelf.

    gone:        packages that the log knows and that are no longer there.
    only_copies: packages that lie in a place of copies alone.
    log:         where the log lies.
    log_fault:   why nothing could be added to the log; empty where it was.
    """

    shelf: str
    checked_at: str
    entries: tuple[ShelfEntry, ...]
    gone: tuple[LoggedCheck, ...] = ()
    only_copies: tuple[OnlyCopy, ...] = ()
    log: str = ""
    log_fault: str = ""

    @property
    def is_proved(self) -> bool:
        """True where every package is proved, none is gone, and none lies in a copy alone."""
        return not (self.gone or self.only_copies) and all(
            entry.is_proved for entry in self.entries
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmation:
    """A person answers for a package as it lies there; seal: None where it was taken away.

    last: what the log said before.
    """

    package: str
    log: str
    confirmed_at: str
    by: str
    seal: str | None
    last: LoggedCheck
