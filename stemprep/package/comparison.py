"""Files against all the lists of hashes that name them: which file, or which list, is at fault."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Literal

from stemprep.model.package import Damage
from stemprep.package.bag_reading import HashResult, Listing, Unreadable
from stemprep.package.copying import Digests
from stemprep.package.payload_path import sort_key


class Comparison:
    """One comparison; a list that alone disagrees with a file is damaged, not the file.

    is_strict: every file must stand in every list (BagIt 1.0, and tag files of ours).
    changed:   kind of damage of a file that all its lists deny.
    """

    def __init__(
        self, listings: Sequence[Listing], *, is_strict: bool, changed: Literal["tag", "changed"]
    ) -> None:
        self._listings = listings
        self._is_strict = is_strict
        self._changed: Literal["tag", "changed"] = changed
        self._first_faults = {item.file: item.faults[0] for item in listings if item.faults}
        self._fault_counts = Counter({item.file: len(item.faults) for item in listings})

    def damages(
        self,
        present: Sequence[str],
        results: Mapping[str, HashResult],
        *,
        are_unlisted_allowed: bool,
    ) -> dict[str, Damage]:
        """Return the damages by path; results holds every file that is present and listed."""
        here = frozenset(present)
        found: dict[str, Damage] = {}
        for path in sorted(here.union(*(item.hashes for item in self._listings)), key=sort_key):
            if path not in here:
                damage = self._missing(path)
            elif path in results:
                damage = self._present(path, results[path])
            else:
                damage = None if are_unlisted_allowed else extra_damage(path)
            if damage is not None:
                found[path] = damage
        return {**found, **self._damaged_lists()}

    def _missing(self, path: str) -> Damage | None:
        listers = [item for item in self._listings if path in item.hashes]
        if self._is_strict and len(listers) < len(self._listings):
            for item in listers:
                self._add(item, f"names {path!r}, which is in no other list")
            return None
        message = "is not there; fetch it from another copy of the package"
        return Damage(path=path, kind="missing", message=message)

    def _present(self, path: str, result: HashResult) -> Damage | None:
        if isinstance(result, Unreadable):
            return Damage(path=path, kind=self._changed, message=result.reason)
        listers = [item for item in self._listings if path in item.hashes]
        denying = [item for item in listers if not _agrees(result, item, path)]
        if self._is_strict:
            for item in self._listings:
                if path not in item.hashes:
                    self._add(item, f"does not name {path!r}, which is there")
        if len(denying) == len(listers):
            message = _difference(result, denying[0], path)
            return Damage(path=path, kind=self._changed, message=message)
        for item in denying:
            self._add(item, f"disagrees with the other lists about {path!r}")
        return None

    def _add(self, listing: Listing, fault: str) -> None:
        self._first_faults.setdefault(listing.file, fault)
        self._fault_counts[listing.file] += 1

    def _damaged_lists(self) -> dict[str, Damage]:
        more = {file: self._fault_counts[file] - 1 for file in self._first_faults}
        return {
            file: tag_damage(file, self._first_faults[file] + (f" (and {n:,} more)" if n else ""))
            for file, n in more.items()
        }


def _agrees(result: Digests, listing: Listing, path: str) -> bool:
    return result.by_algorithm[listing.algorithm] == listing.hashes[path]


def _difference(result: Digests, listing: Listing, path: str) -> str:
    found, required = result.by_algorithm[listing.algorithm], listing.hashes[path]
    return (
        f"{listing.algorithm} is {found[:16]}..., {required[:16]}... was delivered; "
        "keep this file, fetch it from another copy of the package"
    )


def tag_damage(path: str, message: str) -> Damage:
    """Name a tag file that is not as it was written."""
    return Damage(path=path, kind="tag", message=message)


def extra_damage(path: str) -> Damage:
    """Name something that lies in the package and was never part of it."""
    message = (
        "was not delivered with this package and was not opened: nothing here knows what it is; "
        "keep it, and move it to a place outside the package"
    )
    return Damage(path=path, kind="extra", message=message)
