"""Proving a package whole without the drop it came from; nothing is written, nothing fetched.

A damaged file is told from a damaged list of hashes: every file is listed twice, by sha256 and
by sha512, and a list that alone disagrees is what was damaged.
"""

from __future__ import annotations

import csv
import io
import os
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.model.package import Damage, Verification
from stemprep.package.bag import TAG_MANIFEST, manifest_text
from stemprep.package.bag_reading import (
    Bag,
    HashJob,
    HashResult,
    Listing,
    ReadLimited,
    Unreadable,
    fetch_paths,
    read_bag,
    read_limited,
    read_listed_bag,
)
from stemprep.package.comparison import Comparison, extra_damage, tag_damage
from stemprep.package.copying import OUR_ALGORITHMS, Digests, read_digests
from stemprep.package.descriptors import (
    Kind,
    NotRegularError,
    TreeEntry,
    opened_file,
    opened_folder,
)
from stemprep.package.faults import told_as_delivery_error
from stemprep.package.payload_path import PAYLOAD, sort_key

MAX_MANIFEST_CSV_BYTES = 32 << 20

RunHashJobs = Callable[[Callable[[HashJob], HashResult], Sequence[HashJob]], Iterable[object]]
"""Maps hash_file over jobs and keeps their order; a result that is no HashResult is unreadable."""
HashAll = Callable[[Sequence[str], tuple[str, ...]], Iterable[object]]
"""Gives for every path, in order, its digests by algorithms; anything else is unreadable."""
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

    return _verified(bag, str(path), hash_all)


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

    return _verified(read_listed_bag(entries, read), shown, hash_all)


def _verified(bag: Bag, shown: str, hash_all: HashAll) -> Verification:
    if not bag.payload_listings and "bagit.txt" not in bag.entries and not _payload_paths(bag):
        raise DeliveryError(f"{shown}: no package (neither bagit.txt nor data/); name its folder")
    tags = _check_tags(bag, hash_all)
    sound = [item for item in bag.payload_listings if item.file not in tags]
    payload = _check_payload(bag, sound or bag.payload_listings, hash_all)
    unread = {name: tag_damage(name, "cannot be read or is too large") for name in bag.unread}
    damages = {**payload, **unread, **tags, **_unlistable(bag)}
    is_complete = _is_complete(bag)
    return Verification(
        package=shown,
        is_whole=is_complete and not damages,
        is_complete=is_complete,
        files=len(_payload_paths(bag)),
        size_bytes=sum(entry.size_bytes for entry in bag.entries.values()),
        tag_manifest_sha256=_tag_manifest_sha256(bag, hash_all),
        damages=tuple(sorted(damages.values(), key=lambda damage: sort_key(damage.path))),
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


def _check_tags(bag: Bag, hash_all: HashAll) -> dict[str, Damage]:
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
    return damages


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
        elif bag.tag_texts[listing.file] != manifest_text(listing.hashes):
            found[listing.file] = tag_damage(listing.file, "is not as it was written")
    return found


# --- payload


def _check_payload(bag: Bag, listings: Sequence[Listing], hash_all: HashAll) -> dict[str, Damage]:
    if not listings:
        message = "no list of hashes is there that can be checked here"
        return {PAYLOAD: Damage(path=PAYLOAD, kind="tag", message=message)}
    present = _payload_paths(bag)
    listings = _as_on_disk(listings, present)
    results = _hash(bag, present, listings, hash_all)
    comparison = Comparison(listings, is_strict=not bag.version.startswith("0."), changed="changed")
    damages = comparison.damages(present, results, are_unlisted_allowed=False)
    for path in fetch_paths(bag) & damages.keys() - bag.entries.keys():
        message = "is not there: fetch.txt names an address for it; nothing is fetched here"
        damages[path] = Damage(path=path, kind="missing", message=message)
    return damages


def _as_on_disk(listings: Sequence[Listing], present: Sequence[str]) -> list[Listing]:
    """Read listed names as the disk has them: another Unicode form, or a percent sign not encoded.

    RFC 8493, 6.1.3: disks may rewrite names in another normal form. Older writers left % as it is.
    """
    here = frozenset(present)
    by_form: dict[str, list[str]] = {}
    for path in present:
        by_form.setdefault(_plain_form(path), []).append(path)

    def on_disk(path: str, listed: Mapping[str, str]) -> str:
        like = by_form.get(_plain_form(path), [])
        is_same_file = path not in here and len(like) == 1 and like[0] not in listed
        return like[0] if is_same_file else path

    return [
        Listing(
            item.file,
            item.algorithm,
            {on_disk(path, item.hashes): digest for path, digest in item.hashes.items()},
            item.faults,
        )
        for item in listings
    ]


def _plain_form(path: str) -> str:
    composed = unicodedata.normalize("NFC", path)
    return composed.replace("%25", "%").replace("%0A", "\n").replace("%0D", "\r")


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


# --- for telling changed audio from a changed header


def expected_audio_hashes(path: Path) -> dict[str, str]:
    """Read from manifest.csv which audio each file held when delivered.

    Returns audio_sha256 by path relative to the package (``data/...``), as damages name it.
    Empty for a bag that is not ours and for a manifest that cannot be read. The CSV says the same
    as manifest.json, but reading a hostile one takes no more memory than its size.
    """
    try:
        with opened_folder(path, is_link_allowed=True) as folder:
            content = read_limited(folder, f"{PAYLOAD}/manifest.csv", MAX_MANIFEST_CSV_BYTES)
        rows = csv.DictReader(io.StringIO(content.decode("utf-8"), newline=""))
        return {
            row["path"]: row["audio_sha256"]
            for row in rows
            if row.get("path") and re.fullmatch("[0-9a-f]{64}", row.get("audio_sha256") or "")
        }
    except (OSError, UnicodeDecodeError, csv.Error):
        return {}
