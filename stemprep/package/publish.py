"""Making a sealed package visible, all at once, and copying a published one elsewhere."""

from __future__ import annotations

import ctypes
import errno
import os
from contextlib import suppress
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.model.package import Published
from stemprep.package.bag import settle, without_bagging_date
from stemprep.package.bag_reading import Bag, read_bag
from stemprep.package.copying import OUR_ALGORITHMS, Digests, blocks_of
from stemprep.package.descriptors import TreeEntry, opened_file, opened_folder
from stemprep.package.faults import delivery_error, told_as_delivery_error
from stemprep.package.payload_path import PAYLOAD, path_problem, sort_key
from stemprep.package.staged_file import exchanged
from stemprep.package.staging import OpenFolder, Staging, open_staging
from stemprep.package.verify import verify_package

_AT_FDCWD = -100
_RENAME_NOREPLACE = 1
_LAST = tuple(f"tagmanifest-{algorithm}.txt" for algorithm in reversed(OUR_ALGORITHMS))


def publish(staging: Staging, destination: Path, name: str) -> Published:
    """Give a sealed package its final name; it appears whole or not at all.

    Where the same package lies already (all but the bagging date equal, and whole), the staging
    folder is removed and ``already_there`` is True. Raises DeliveryError when anything else lies
    there, when the package was not sealed, and when the disk refuses.
    """
    final = _final_place(staging, destination, name)
    staging.require_place()
    try:
        rename_exclusively(
            staging.root.name, name, source_folder=staging.folder, target_folder=staging.folder
        )
    except OSError as error:
        if error.errno not in (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR):
            raise delivery_error("giving the package its name", final, error) from error
        return _already_there(staging, final)
    _require_ours(staging, name)
    try:
        os.fsync(staging.folder)
    except OSError as error:
        raise DeliveryError(
            f"{final}: the package is there, but the disk did not confirm its name "
            f"({error.strerror}); check the disk, then verify the package"
        ) from error
    finally:
        staging.release()
    return Published(path=str(final), name=name, tag_manifest_sha256=staging.tag_manifest_sha256)


def _require_ours(staging: Staging, name: str) -> None:
    """What was planted at the last moment does not keep the package's name."""
    try:
        staging.require_place(name)
    except DeliveryError:
        with suppress(OSError):
            rename_exclusively(
                name, staging.root.name, source_folder=staging.folder, target_folder=staging.folder
            )
        raise


def _final_place(staging: Staging, destination: Path, name: str) -> Path:
    if path_problem(name) is not None or "/" in name or name.startswith("."):
        raise DeliveryError(f"{name!r}: no name for a package; give one without '/' or leading '.'")
    if not staging.tag_manifest_sha256:
        raise DeliveryError(f"{staging.root}: was not sealed; nothing was published")
    if destination.absolute() != staging.destination:
        raise DeliveryError(f"{destination}: is not where the package was staged")
    return staging.destination / name


def rename_exclusively(
    source: Path | str,
    target: Path | str,
    *,
    source_folder: int | None = None,
    target_folder: int | None = None,
) -> None:
    """Rename a file or folder to a name that nothing has; the rename itself is the claim.

    source_folder, target_folder: descriptors that relative names count from; None: the working
    folder. Systems without such a call check first. Should another delivery come in between, rename
    still refuses (POSIX: a folder is never renamed over one that holds something).
    """
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError):
        rename = None
    if rename is not None:
        folders = [_AT_FDCWD if each is None else each for each in (source_folder, target_folder)]
        names = os.fsencode(source), os.fsencode(target)
        if rename(folders[0], names[0], folders[1], names[1], _RENAME_NOREPLACE) == 0:
            return
        number = ctypes.get_errno()
        if number not in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
            raise OSError(number, os.strerror(number), str(target))
    with suppress(FileNotFoundError):
        os.stat(target, dir_fd=target_folder, follow_symlinks=False)
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
    os.rename(source, target, src_dir_fd=source_folder, dst_dir_fd=target_folder)


def _already_there(staging: Staging, final: Path) -> Published:
    if not _is_same(staging, final):
        raise DeliveryError(
            f"{final}: something else has this name already; move or rename what lies there, "
            "deliver to another destination, or make this the next delivery (raise 'delivery' in "
            "session.yaml); nothing was published"
        )
    existing = verify_package(final)
    if not existing.is_whole or existing.tag_manifest_sha256 is None:
        named = ", ".join(damage.path for damage in existing.damages[:3]) or "not complete"
        raise DeliveryError(
            f"{final}: this package was delivered before and is damaged there ({named}); move it "
            "away and deliver again; nothing was published"
        )
    staging.discard()
    return Published(
        path=str(final),
        name=final.name,
        tag_manifest_sha256=existing.tag_manifest_sha256,
        already_there=True,
    )


def _is_same(staging: Staging, final: Path) -> bool:
    """Compare payload manifests and bag-info but for the bagging date, which follows the clock."""
    try:
        with opened_folder(final) as theirs:
            return _identity(read_bag(staging.descriptor)) == _identity(read_bag(theirs))
    except OSError:
        return False


def _identity(bag: Bag) -> tuple[object, ...]:
    info = bag.tag_texts.get("bag-info.txt", "").split("\n")
    lists = [(item.file, item.hashes, item.faults) for item in bag.payload_listings]
    return bag.tag_texts.get("bagit.txt"), without_bagging_date(info), lists


def replicate(
    published: Path,
    destination: Path,
    job: str,
    expected_sha256: str,
    open_folder: OpenFolder | None = None,
) -> Published:
    """Copy a published package to another destination, under the same name and protocol.

    expected_sha256: of its tag manifest, as it was sealed. Every file is compared with the
    package's own manifest while it is read, and read back after writing. open_folder: see
    ``open_staging``. Raises DeliveryError when the package is not whole or is another one, or as
    open_staging and publish.
    """
    with (
        told_as_delivery_error("reading the package", published),
        opened_folder(published, is_link_allowed=True) as folder,
    ):
        bag = read_bag(folder)
        expected = _expected(bag)
        if expected.keys() != bag.entries.keys():
            names = sorted(expected.keys() ^ bag.entries.keys(), key=sort_key)[:3]
            raise _not_whole(published, ", ".join(names))
        with open_staging(destination, job, open_folder) as staging:
            for path in sorted(bag.entries, key=_tag_manifest_last):
                digests = _copy(folder, bag.entries[path], staging)
                if not expected[path].items() <= digests.by_algorithm.items():
                    raise _not_whole(published, path)
            staging.tag_manifest_sha256 = digests.by_algorithm["sha256"]
            if staging.tag_manifest_sha256 != expected_sha256:
                raise exchanged(published)
            settle(staging)
            return publish(staging, destination, published.name)


def _expected(bag: Bag) -> dict[str, dict[str, str]]:
    """Hashes by path, then algorithm; nothing is known beforehand of the tag manifests."""
    expected: dict[str, dict[str, str]] = {name: {} for name in _LAST}
    for listing in (*bag.payload_listings, *bag.tag_listings):
        for path, digest in listing.hashes.items():
            expected.setdefault(path, {})[listing.algorithm] = digest
    return expected


def _not_whole(published: Path, names: str) -> DeliveryError:
    return DeliveryError(
        f"{published}: is not whole ({names}); verify it and copy from a whole package; "
        "nothing was published"
    )


def _tag_manifest_last(path: str) -> tuple[int, bytes]:
    rank = _LAST.index(path) + 2 if path in _LAST else int(not path.startswith(f"{PAYLOAD}/"))
    return rank, sort_key(path)


def _copy(folder: int, entry: TreeEntry, staging: Staging) -> Digests:
    with opened_file(folder, entry.path) as descriptor, open(descriptor, "rb", closefd=False) as it:
        return staging.write_inside(entry.path, blocks_of(it), entry.size_bytes)
