"""Two manifests against each other: what changed from one package to the next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from stemprep.lineage.file_change import FileChange, change_of
from stemprep.lineage.records import DeliveredDocument, DeliveredFile, Manifest
from stemprep.lineage.stated_facts import FactChange, changed_facts


@dataclass(frozen=True, slots=True, kw_only=True)
class DocumentChange:
    """One carried document that is not as it was."""

    path: str
    kind: Literal["added", "removed", "changed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageComparison:
    """What changed from an old package to a new one.

    is_successor: the new one names the old one's seal as its predecessor's.
    same:         files with the same name and hash in both manifests; no file itself was read.
    facts:        of the session sheet, the spec and the common start, that moved.
    """

    old: Manifest
    new: Manifest
    is_successor: bool
    same: int
    files: tuple[FileChange, ...]
    documents: tuple[DocumentChange, ...]
    facts: tuple[FactChange, ...]

    @property
    def is_same(self) -> bool:
        """True when nothing of what the manifests tell has changed."""
        return not (self.files or self.documents or self.facts)


def compare_manifests(
    old: Manifest, new: Manifest, *, old_seal: str | None = None
) -> PackageComparison:
    """Compare what two packages tell; ``old_seal``: sha256 of the old one's tag manifest."""
    pairs, added, removed = _paired(old.files, new.files)
    changes = [change_of(before, after) for before, after in pairs]
    files = [change for change in changes if change is not None]
    files += [_alone(file, "added") for file in added]
    files += [_alone(file, "removed") for file in removed]
    before = new.predecessor
    return PackageComparison(
        old=old,
        new=new,
        is_successor=old_seal is not None
        and before is not None
        and before.tag_manifest_sha256 == old_seal,
        same=changes.count(None),
        files=tuple(sorted(files, key=lambda change: change.path.encode())),
        documents=_documents(old.documents, new.documents),
        facts=changed_facts(old, new),
    )


def _alone(file: DeliveredFile, kind: Literal["added", "removed"]) -> FileChange:
    was = file.path if kind == "removed" else None
    return FileChange(path=file.path, was=was, kinds=(kind,), made_by_us=file.made_by_us)


# --- which file is which


Pair = tuple[DeliveredFile, DeliveredFile]
Key = Callable[[DeliveredFile], Hashable]


def _paired(
    old: Sequence[DeliveredFile], new: Sequence[DeliveredFile]
) -> tuple[list[Pair], list[DeliveredFile], list[DeliveredFile]]:
    """Pair files: by name and bytes, then name, bytes, sound, and the file they were made from."""
    keys: tuple[Key, ...] = (
        lambda file: (file.path, file.sha256),
        lambda file: file.path,
        lambda file: file.sha256,
        lambda file: file.audio_sha256,
        lambda file: tuple(source.path for source in file.sources) or None,
    )
    pairs: list[Pair] = []
    before, after = list(old), list(new)
    for key in keys:
        found = _matches(before, after, key)
        pairs += found
        taken = {file.path for file, _ in found}, {file.path for _, file in found}
        before = [file for file in before if file.path not in taken[0]]
        after = [file for file in after if file.path not in taken[1]]
    return pairs, after, before


def _matches(old: Iterable[DeliveredFile], new: Iterable[DeliveredFile], key: Key) -> list[Pair]:
    """Pairs of one key; where several files share it, none of them is told from the others."""
    before = _unique(old, key)
    after = _unique(new, key)
    return [(file, after[value]) for value, file in before.items() if value in after]


def _unique(files: Iterable[DeliveredFile], key: Key) -> dict[Hashable, DeliveredFile]:
    listed = [(key(file), file) for file in files]
    counts = Counter(value for value, _ in listed)
    return {value: file for value, file in listed if value is not None and counts[value] == 1}


# --- documents


def _documents(
    old: Iterable[DeliveredDocument], new: Iterable[DeliveredDocument]
) -> tuple[DocumentChange, ...]:
    before = {document.path: document.sha256 for document in old}
    after = {document.path: document.sha256 for document in new}
    changes = [DocumentChange(path=path, kind="removed") for path in before.keys() - after.keys()]
    changes += [DocumentChange(path=path, kind="added") for path in after.keys() - before.keys()]
    changes += [
        DocumentChange(path=path, kind="changed")
        for path in before.keys() & after.keys()
        if before[path] != after[path]
    ]
    return tuple(sorted(changes, key=lambda change: change.path.encode()))
