"""Listed names read as a disk has them: RFC 8493, 6.1.3 warns that disks rewrite names."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence

from stemprep.package.bag_reading import Listing


def other_forms(present: Iterable[str], listings: Sequence[Listing]) -> dict[str, str]:
    """Listed names that the disk has in another Unicode form, or with a percent sign not encoded.

    Older writers left % as it is. Given are (listed, found) pairs that nothing else can be.
    """
    here = frozenset(present)
    listed = frozenset(path for item in listings for path in item.hashes)
    by_form: dict[str, list[str]] = {}
    for path in here:
        if path not in listed:
            by_form.setdefault(plain_form(path), []).append(path)
    if not by_form:
        return {}
    wanted: dict[str, list[str]] = {}
    for path in listed - here:
        wanted.setdefault(plain_form(path), []).append(path)
    return {
        paths[0]: by_form[form][0]
        for form, paths in wanted.items()
        if len(paths) == 1 and len(by_form.get(form, ())) == 1
    }


def as_on_disk(listing: Listing, forms: Mapping[str, str]) -> Listing:
    """The list with the names that the disk has."""
    if not forms:
        return listing
    hashes = {forms.get(path, path): digest for path, digest in listing.hashes.items()}
    return Listing(listing.file, listing.algorithm, hashes, listing.faults)


def plain_form(path: str) -> str:
    """A name without what disks and other writers change in it: Unicode form, percent codes."""
    composed = unicodedata.normalize("NFC", path)
    return composed.replace("%25", "%").replace("%0A", "\n").replace("%0D", "\r")
