"""Proving a package whole without the drop it came from; nothing is written, nothing fetched.

A damaged file is told from a damaged list of hashes: every file is listed twice, by sha256 and
by sha512, and a list that alone disagrees is what was damaged.
"""

from __future__ import annotations

import hashlib
import os
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import replace
from heapq import nsmallest
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.model.package import Damage, Verification
from stemprep.package.bag import TAG_MANIFEST, manifest_text
from stemprep.package.bag_reading import (
    MAX_TAG_BYTES,
    Bag,
    HashJob,
    HashResult,
    Listing,
    ReadLimited,
    Unreadable,
    fetch_faults,
    fetch_paths,
    read_bag,
    read_limited,
    read_listed_bag,
)
from stemprep.package.comparison import Comparison, extra_damage, tag_damage
from stemprep.package.copying import OUR_ALGORITHMS, Digests, read_digests
from stemprep.package.delivered import (
    MANIFEST_CSV,
    MAX_MANIFEST_CSV_BYTES,
    DeliveredSound,
    delivered_sounds,
)
from stemprep.package.descriptors import (
    Kind,
    NotRegularError,
    TreeEntry,
    opened_file,
    opened_folder,
)
from stemprep.package.faults import told_as_delivery_error
from stemprep.package.name_forms import as_on_disk, other_forms
from stemprep.package.payload_path import PAYLOAD, sort_key
from stemprep.package.strangers import HashAll, hash_strangers, size_of
from stemprep.package.strangers import system_files as system_files_of
from stemprep.package.whereabouts import seek_whereabouts, shell_line

_TOO_LARGE = (
    f"cannot be read, or is larger than the {MAX_TAG_BYTES >> 20} MiB of lists that are read here"
)
MAX_DAMAGES = 10_000
"""Damages of one package that are kept, the first by path; the rest is counted."""

RunHashJobs = Callable[[Callable[[HashJob], HashResult], Sequence[HashJob]], Iterable[object]]
"""Maps hash_file over jobs and keeps their order; a result that is no HashResult is unreadable."""
HashOne = Callable[[str, tuple[str, ...]], Digests]


def hash_file(job: HashJob) -> HashResult:
    """Hash one file of a package, read from the disk; links and special files are not opened."""
    try:
        with (
            opened_folder(job.root, is_link_allowed=True) as folder,
            opened_file(folder, job.path) as descriptor,
        ):
            return read_digests(descriptor, job.algorithms)
    except NotRegularError:
        return Unreadable("is no regular file and was not opened")
    except OSError as error:
        return Unreadable(f"cannot be read ({os.strerror(error.errno or 0)})")


def _run_here(
    function: Callable[[HashJob], HashResult], jobs: Sequence[HashJob]
) -> Iterable[HashResult]:
    return map(function, jobs)


def verify_package(path: Path, *, run_jobs: RunHashJobs = _run_here) -> Verification:
    """Check every file of a package against its lists of hashes.

    Any BagIt bag will do (md5, sha1, sha2); a package of ours is also held to having both
    tag manifests and nothing beside the listed files. Without its tag manifest it is incomplete:
    the transfer did not finish. Damages are in path order, one a file; a changed payload file is
    ``changed``, whatever it holds. Raises DeliveryError only where there is no package to check.
    """
    with (
        told_as_delivery_error("opening the package", path, "nothing was checked"),
        opened_folder(path, is_link_allowed=True) as folder,
    ):
        bag = read_bag(folder)
    root = str(path.absolute())

    def hash_all(paths: Sequence[str], algorithms: tuple[str, ...]) -> Iterable[object]:
        jobs = [HashJob(root=root, path=name, algorithms=algorithms) for name in paths]
        return run_jobs(hash_file, jobs)

    def read(name: str, limit_bytes: int) -> bytes:
        with opened_folder(path, is_link_allowed=True) as folder:
            return read_limited(folder, name, limit_bytes)

    result = _verified(bag, str(path), hash_all, read)
    if not result.commands:
        return result
    return replace(result, commands=(shell_line("cd", "--", root), *result.commands))


def verify_elsewhere(
    shown: str, entries: Sequence[TreeEntry], read: ReadLimited, hash_one: HashOne
) -> Verification:
    """Check a package that is no folder of this machine, as ``verify_package`` does.

    shown: what the report calls it. entries, read: as ``read_listed_bag`` takes them.
    hash_one: gives the digests of one file, or raises OSError.
    """

    def hash_all(paths: Sequence[str], algorithms: tuple[str, ...]) -> Iterable[object]:
        for name in paths:
            try:
                yield hash_one(name, algorithms)
            except OSError as error:
                yield Unreadable(f"cannot be read ({error.strerror or error})")

    return replace(_verified(read_listed_bag(entries, read), shown, hash_all, read), commands=())


def _verified(bag: Bag, shown: str, hash_all: HashAll, read: ReadLimited) -> Verification:
    if not bag.payload_listings and "bagit.txt" not in bag.entries and not _payload_paths(bag):
        raise DeliveryError(f"{shown}: no package (neither bagit.txt nor data/); name its folder")
    tags, tag_results = _check_tags(bag, hash_all)
    sound = [item for item in bag.payload_listings if item.file not in tags]
    forms = other_forms(_payload_paths(bag), sound or bag.payload_listings)
    listings = [as_on_disk(item, forms) for item in sound or bag.payload_listings]
    payload, results = _check_payload(bag, listings, hash_all)
    unread = {name: tag_damage(name, _TOO_LARGE) for name in bag.unread}
    damages = {**payload, **unread, **tags, **_unlistable(bag), **_leading_out(bag)}
    results |= tag_results
    trusted = [*listings, *(item for item in bag.tag_listings if item.file not in damages)]
    delivered = _delivered(read, damages)
    results |= hash_strangers(bag, damages, trusted, delivered, hash_all)
    place = seek_whereabouts(damages, trusted, results, bag.entries.keys())
    system_files = system_files_of(bag, place.damages)
    damages = {
        path: _with_size(damage, bag, delivered)
        for path, damage in place.damages.items()
        if path not in system_files
    }
    is_complete = _is_complete(bag)
    return Verification(
        package=shown,
        is_whole=is_complete and not damages,
        is_complete=is_complete,
        files=len(set(_payload_paths(bag)) - system_files),
        size_bytes=sum(
            entry.size_bytes for path, entry in bag.entries.items() if path not in system_files
        ),
        tag_manifest_sha256=_tag_manifest_sha256(bag, hash_all),
        damages=tuple(nsmallest(MAX_DAMAGES, damages.values(), key=_in_order)),
        damage_count=len(damages),
        system_files=tuple(sorted(system_files, key=sort_key)),
        other_forms=tuple(
            sorted(filter(_is_form, forms.items()), key=lambda pair: sort_key(pair[0]))
        ),
        lists=dict(bag.list_digests),
        commands=place.commands,
    )


def _leading_out(bag: Bag) -> dict[str, Damage]:
    """A fetch.txt that would write outside the payload; whoever follows it could be harmed."""
    faults = fetch_faults(bag)
    if not faults:
        return {}
    words = f"{'; '.join(faults[:3])}: do not let any program fetch what it names"
    return {"fetch.txt": tag_damage("fetch.txt", words)}


def _delivered(read: ReadLimited, damages: Mapping[str, Damage]) -> dict[str, DeliveredSound]:
    """What the manifest says, where anything is wrong and the manifest itself is not."""
    if not damages or MANIFEST_CSV in damages:
        return {}
    try:
        return delivered_sounds(read(MANIFEST_CSV, MAX_MANIFEST_CSV_BYTES), damages.keys())
    except (OSError, KeyError):
        return {}


def _in_order(damage: Damage) -> bytes:
    return sort_key(damage.path)


def _is_form(names: tuple[str, str]) -> bool:
    """Tell two Unicode forms of one name from two ways to write a percent sign."""
    listed, found = (unicodedata.normalize("NFC", name) for name in names)
    return listed == found


def _with_size(damage: Damage, bag: Bag, delivered: Mapping[str, DeliveredSound]) -> Damage:
    """Say by how much a changed file is shorter or longer than it was, where that is known."""
    size_bytes = size_of(delivered, damage.path)
    if damage.kind != "changed" or damage.cause is not None or size_bytes is None:
        return damage
    here_bytes = bag.entries[damage.found_at or damage.path].size_bytes
    if here_bytes == size_bytes:
        return damage
    way = "shorter" if here_bytes < size_bytes else "longer"
    more = f"{abs(here_bytes - size_bytes):,} bytes {way} than delivered"
    return replace(
        damage,
        message=f"is {more} ({here_bytes:,}, {size_bytes:,} were delivered); {damage.message}",
    )


def _unlistable(bag: Bag) -> dict[str, Damage]:
    message = "is a folder that cannot be listed; what should lie in it counts as missing"
    return {
        path: Damage(path=path, kind="changed", message=message)
        for path, entry in bag.entries.items()
        if entry.kind == "unlistable"
    }


def _payload_paths(bag: Bag) -> list[str]:
    return [
        path
        for path, entry in bag.entries.items()
        if path.startswith(f"{PAYLOAD}/") and entry.kind != "unlistable"
    ]


def _is_complete(bag: Bag) -> bool:
    """Tell whether all that RFC 8493, 2.1 requires is there, and our tag manifest, sent last."""
    has_all = "bagit.txt" in bag.entries and bag.has_payload_folder
    return (
        has_all and bool(bag.payload_listings) and (TAG_MANIFEST in bag.entries or not bag.is_ours)
    )


def _tag_manifest_sha256(bag: Bag, hash_all: HashAll) -> str | None:
    if TAG_MANIFEST not in bag.entries:
        return None
    (result,) = hash_all([TAG_MANIFEST], ("sha256",))
    return result.by_algorithm["sha256"] if isinstance(result, Digests) else None


# --- tag files


def _check_tags(bag: Bag, hash_all: HashAll) -> tuple[dict[str, Damage], dict[str, HashResult]]:
    lists = frozenset(item.file for item in bag.tag_listings)
    covered = [
        path for path in bag.entries if not path.startswith(f"{PAYLOAD}/") and path not in lists
    ]
    results = _hash(bag, covered, bag.tag_listings, hash_all)
    comparison = Comparison(bag.tag_listings, is_strict=bag.is_ours, changed="tag")
    is_known = bag.is_ours and bool(bag.tag_listings)
    damages = comparison.damages(covered, results, are_unlisted_allowed=not is_known)
    if "bagit.txt" in bag.entries and not bag.is_declared:
        damages["bagit.txt"] = tag_damage("bagit.txt", "does not declare a bag (RFC 8493, 2.1.1)")
    if bag.is_ours:
        damages |= _check_our_tag_manifests(bag)
    return damages, results


def _check_our_tag_manifests(bag: Bag) -> dict[str, Damage]:
    """Hold our tag manifests to the very bytes we write, for no hash covers them."""
    wanted = {f"tagmanifest-{algorithm}.txt" for algorithm in OUR_ALGORITHMS}
    missing = "is not there; the transfer did not finish"
    found = {
        name: Damage(path=name, kind="missing", message=missing)
        for name in wanted - bag.entries.keys()
    }
    for listing in bag.tag_listings:
        if listing.file not in wanted:
            found[listing.file] = extra_damage(listing.file)
        elif bag.list_digests[listing.file] != _digest_of(manifest_text(listing.hashes)):
            found[listing.file] = tag_damage(listing.file, "is not as it was written")
    return found


def _digest_of(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()


# --- payload


def _check_payload(
    bag: Bag, listings: Sequence[Listing], hash_all: HashAll
) -> tuple[dict[str, Damage], dict[str, HashResult]]:
    if not listings:
        message = "no list of hashes is there that can be checked here"
        return {PAYLOAD: Damage(path=PAYLOAD, kind="tag", message=message)}, {}
    present = _payload_paths(bag)
    results = _hash(bag, present, listings, hash_all)
    comparison = Comparison(listings, is_strict=not bag.version.startswith("0."), changed="changed")
    damages = comparison.damages(present, results, are_unlisted_allowed=False)
    for path in fetch_paths(bag, damages.keys() - bag.entries.keys()):
        message = "is not there: fetch.txt names an address for it; nothing is fetched here"
        damages[path] = Damage(path=path, kind="missing", message=message)
    return damages, results


# --- both


def _hash(
    bag: Bag, paths: Sequence[str], listings: Sequence[Listing], hash_all: HashAll
) -> dict[str, HashResult]:
    """Hash the files that a list names; what is no file is not opened."""
    algorithms = tuple(item.algorithm for item in listings)
    listed = [path for path in paths if any(path in item.hashes for item in listings)]
    files = [path for path in listed if bag.entries[path].kind == "file" and path not in bag.unread]
    hashed = {
        path: result
        if isinstance(result, Digests | Unreadable)
        else Unreadable(f"cannot be read ({getattr(result, 'reason', 'its worker died')})")
        for path, result in zip(files, hash_all(files, algorithms), strict=True)
    }
    other = {
        path: Unreadable(_why_not_opened(bag.entries[path].kind))
        for path in listed
        if path not in hashed
    }
    return {**hashed, **other}


def _why_not_opened(kind: Kind) -> str:
    if kind == "file":
        return "cannot be read or is too large for a list of hashes; it was not hashed"
    return f"is a {kind}, not a file; it was not opened"


def delivered_files(package: Path, wanted: Set[str]) -> dict[str, DeliveredSound]:
    """What manifest.csv says of each audio file as delivered; empty for a package not of ours."""
    try:
        with opened_folder(package, is_link_allowed=True) as folder:
            content = read_limited(folder, MANIFEST_CSV, MAX_MANIFEST_CSV_BYTES)
            return delivered_sounds(content, wanted)
    except OSError:
        return {}
