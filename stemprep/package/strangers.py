"""Files that no list names: a system's own, or one that is lost under another name."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence

from stemprep.model.package import Damage
from stemprep.naming import is_system_path
from stemprep.package.bag_reading import MAX_TAG_BYTES, Bag, HashResult, Listing
from stemprep.package.comparison import extra_damage
from stemprep.package.copying import Digests
from stemprep.package.delivered import DeliveredSound
from stemprep.package.payload_path import PAYLOAD
from stemprep.package.whereabouts import LOST_KINDS

HashAll = Callable[[Sequence[str], tuple[str, ...]], Iterable[object]]
"""Gives for every path, in order, its digests by algorithms; anything else is unreadable."""


def hash_strangers(
    bag: Bag,
    damages: Mapping[str, Damage],
    listings: Sequence[Listing],
    delivered: Mapping[str, DeliveredSound],
    hash_all: HashAll,
) -> dict[str, HashResult]:
    """Hash what no list names, where it may be a file that is lost; nothing larger than those."""
    lost = [path for path, damage in damages.items() if damage.kind in LOST_KINDS]
    sizes = {size for path in lost if (size := size_of(delivered, path)) is not None}
    limits = [
        _payload_bytes(bag) if path.startswith(f"{PAYLOAD}/") else MAX_TAG_BYTES
        for path in lost
        if size_of(delivered, path) is None
    ]
    largest = max(limits, default=-1)
    strangers = [
        path
        for path, damage in damages.items()
        if damage.kind == "extra"
        and bag.entries[path].kind == "file"
        and (bag.entries[path].size_bytes in sizes or bag.entries[path].size_bytes <= largest)
    ]
    if not strangers:
        return {}
    algorithms = tuple(dict.fromkeys(item.algorithm for item in listings))
    hashed = zip(strangers, hash_all(strangers, algorithms), strict=True)
    return {path: result for path, result in hashed if isinstance(result, Digests)}


def size_of(delivered: Mapping[str, DeliveredSound], path: str) -> int | None:
    """Bytes of a file as delivered; None where the manifest does not say."""
    return delivered[path].size_bytes if path in delivered else None


def _payload_bytes(bag: Bag) -> int:
    """Bytes of the whole payload by bag-info.txt (RFC 8493, 2.2.2); else of all that is here."""
    found = re.search(r"^Payload-Oxum: (\d{1,18})\.", bag.tag_texts.get("bag-info.txt", ""), re.M)
    return int(found[1]) if found else sum(entry.size_bytes for entry in bag.entries.values())


def system_files(bag: Bag, damages: Mapping[str, Damage]) -> frozenset[str]:
    """Files that no list names and that are named as systems name their own; they are no damage."""
    listings = (*bag.payload_listings, *bag.tag_listings)
    misplaced = {damage.found_at for damage in damages.values()}
    return frozenset(
        path
        for path, entry in bag.entries.items()
        if entry.kind == "file"
        and is_system_path(path)
        and path not in misplaced
        and not any(path in item.hashes for item in listings)
        and (path not in damages or damages[path] == extra_damage(path))
    )
