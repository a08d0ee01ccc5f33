"""What a package holds and what verifying one has shown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Literal

from stemprep.model.facts import FileFacts
from stemprep.model.finding import Finding
from stemprep.model.plan import Companion, LeftOut, OutputPlan, StartReference
from stemprep.model.record_codec import AS_ITSELF, EMPTY_IS_NULL, LEFT_OUT, Written
from stemprep.model.sheet import SessionSheet
from stemprep.model.value_types import Sha256
from stemprep.model.words import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondReading:
    """Integrated loudness of a mix by an independent meter; None with the reason why not."""

    meter: str
    loudness_lufs: float | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenFile:
    """One audio file of the package after it was read back and measured again.

    staged:  absolute path where it lies before publication.
    before:  facts of its sources, in order; after: facts of what was written.
    made_by_us: True for sound generated here (click, rough mix), False for what was dropped.
    """

    plan: OutputPlan
    staged: str
    sha256: str
    sha512: str
    size_bytes: int
    before: tuple[FileFacts, ...]
    after: FileFacts
    second_reading: SecondReading | None = None
    made_by_us: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StagedDocument:
    """A carried document or a report of ours: path in the payload, where it lies now."""

    path: str
    staged: str
    sha256: str
    sha512: str
    size_bytes: int
    source: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Predecessor:
    """The delivery before this one: its package name, number and tag manifest's sha256.

    earlier: those before it, the first delivery first; of these, each names none itself.
    """

    name: str
    number: int
    tag_manifest_sha256: str
    earlier: tuple[Predecessor, ...] = ()

    @property
    def history(self) -> tuple[Predecessor, ...]:
        """All deliveries up to this one, the first one first."""
        return (*self.earlier, replace(self, earlier=()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Amendment:
    """What a delivery changes in the package before it; paths below the payload, sorted.

    package:  name of the package it corrects.
    reason:   as a person gave it; "" where nobody did.
    replaced, added: paths in the new package; left_out: paths in the old one that do not travel
              any more. Documents are among them.
    is_return: it takes in what another room sent back, instead of correcting.
    """

    package: str
    reason: str
    replaced: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    is_return: bool = False


PackageState = Literal["whole", "damaged", "incomplete"]
DamageKind = Literal[
    "missing", "extra", "changed", "audio-changed", "header-changed", "tag", "renamed"
]  # fmt: skip
DamageCause = Literal[
    "renamed", "swapped", "cut-off", "grown", "flipped-bits", "overwritten", "replaced"
]  # fmt: skip
"""What happened to a file. renamed: its bytes lie in the package under another name. swapped: it
lies under the name of a file that lies under another's. cut-off: its end is missing. grown: it goes
on after its end. flipped-bits: single bits differ. overwritten: a stretch of it differs.
replaced: another file lies under its name.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """One file of a package that is not as delivered; path relative to the package.

    cause:    what happened to it; None where that cannot be known from what lies there.
    found_at: where the bytes lie in the package that were delivered under ``path``; "": nowhere.
    at_byte:  first byte that is not as delivered, 0-based; None where that is not known.
    at_s:     the same place in the sound, seconds from the file's start.
    """

    path: str
    kind: DamageKind
    message: str
    cause: DamageCause | None = None
    found_at: Annotated[str, EMPTY_IS_NULL] = ""
    at_byte: int | None = None
    at_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What verifying one package has shown.

    damages:      in path order; of very many the first. damage_count: how many there are.
    is_complete:  False where the tag manifest is absent: the transfer did not finish.
    system_files: what is named as files that systems add by themselves; no damage, not opened.
    other_forms:  (listed, found): names that a disk gives back in another Unicode form; no damage.
    lists:        sha256 of every list of hashes that could be read, by its name.
    commands:     lines of a shell, in order, that give every file its name back where its bytes lie
                  in the package; they overwrite and remove nothing.
    """

    package: str
    is_whole: bool
    is_complete: bool
    files: int
    size_bytes: int
    tag_manifest_sha256: Sha256 | None
    damages: tuple[Damage, ...] = field(default=())
    damage_count: Annotated[int, LEFT_OUT] = 0
    system_files: tuple[str, ...] = ()
    other_forms: Annotated[tuple[tuple[str, str], ...], Written(keys=("path", "found_at"))] = ()
    lists: Annotated[Mapping[str, str], LEFT_OUT] = field(default_factory=dict, repr=False)
    commands: tuple[str, ...] = ()

    @property
    def state(self) -> Annotated[PackageState, AS_ITSELF]:
        """whole, damaged, or incomplete."""
        if not self.is_complete:
            return "incomplete"
        return "whole" if self.is_whole else "damaged"

    @property
    def all_damages(self) -> Annotated[int, Written("damage_count")]:
        """How many damages there are, listed or not."""
        return max(self.damage_count, len(self.damages))


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """Where a package lies after publication; already_there: it was the same, byte for byte."""

    path: str
    name: str
    tag_manifest_sha256: str
    already_there: bool = False


PackageForm = Literal["folder", "zip"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """One copy of a delivered package, after it was read back whole from where it lies.

    place:       as it may be shown; of a store without anything that lets one in.
    sha256:      of the whole zip; None for a folder.
    already_there: it lay there before, the same; nothing was written.
    """

    place: str
    form: PackageForm
    tag_manifest_sha256: Sha256
    files: int
    size_bytes: int
    sha256: Sha256 | None = None
    already_there: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """What was delivered, and every copy of it; the first is the one that reports name."""

    package: str
    delivery: int
    copies: tuple[Copy, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageContent:
    """Everything one package holds and tells of itself.

    Nothing of it may depend on clock, host, or where the drop lay and what it was called.
    name:         of the package's folder.
    bagging_date: YYYY-MM-DD, an input; it stands in bag-info.txt alone.
    bag_info:     further labels and values of RFC 8493, 2.2.2, in order (Source-Organization,
                  Contact-Name, External-Description, ...).
    made_with:    libraries whose version may change bytes of written audio.
    documents:    carried ones and reports of ours, as staged.
    companions:   what was made beside the dropped files; their records stand in files, documents.
    amendment:    what it corrects in its predecessor; None for a delivery of a whole drop.
    waived:       findings a person has signed for; repaired: findings the plan removed.
    readme:       text of README.txt at the package's top; "": none.
    """

    name: str
    bagging_date: str
    stemprep_version: str
    spec_name: str
    spec_title: str
    spec_sha256: str
    files: tuple[WrittenFile, ...]
    documents: tuple[StagedDocument, ...] = ()
    companions: tuple[Companion, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    sheet: SessionSheet | None = None
    delivery: int = 1
    predecessor: Predecessor | None = None
    amendment: Amendment | None = None
    verdict: Verdict = "pass"
    waived: tuple[Finding, ...] = ()
    repaired: tuple[Finding, ...] = ()
    start_samples: Mapping[str, int | None] = field(default_factory=dict)
    references: Mapping[str, StartReference] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    made_with: Mapping[str, str] = field(default_factory=dict)
    bag_info: tuple[tuple[str, str], ...] = ()
    readme: str = ""
