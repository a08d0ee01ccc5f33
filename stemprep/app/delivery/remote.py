"""Packages in stores: verified there, and sent there."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from stemprep.app.delivery.zip_package import make_zip, staged_zip, verify_zip_stream
from stemprep.errors import DeliveryError
from stemprep.model.package import Copy, Verification
from stemprep.package import (
    IDENTITY,
    Digests,
    TreeEntry,
    exchanged,
    identity_of,
    inventory,
    verify_elsewhere,
)
from stemprep.transfer import (
    Address,
    OnSent,
    Outgoing,
    Remote,
    RemoteEntry,
    as_store_error,
    opened_remote,
    send_file,
    send_package,
    sha256_of_stream,
)

_MAX_TAG_BYTES = 128 << 20
_UNSAID = "nothing was checked"


def verify_remote(address: Address) -> Verification:
    """Read a package in a store back whole and check it by its own lists of hashes.

    Raises DeliveryError where nothing lies there, or the store cannot be read.
    """
    with opened_remote(address) as remote:
        if address.name.lower().endswith(".zip"):
            with (
                as_store_error("reading", address, _UNSAID),
                remote.open(address.path) as stream,
            ):
                return verify_zip_stream(stream, address.shown)
        return _verified(remote, address)


def lies_there(address: Address) -> bool:
    """Tell whether anything has this address; DeliveryError where the store does not answer."""
    with opened_remote(address) as remote, as_store_error("looking", address, _UNSAID):
        remote.require_answer()
        return remote.exists(address.path)


def packages_there(address: Address) -> list[str]:
    """Names of the packages below an address, sorted; of folders and zips.

    Raises DeliveryError where the store does not answer.
    """
    with opened_remote(address) as remote, as_store_error("listing", address, _UNSAID):
        if not remote.exists(address.path):
            return []
        paths = [entry.path for entry in remote.entries(address.path.rstrip("/"))]
    shown = [path for path in paths if not path.startswith(".") and "/." not in path]
    folders = {path.removesuffix("/bagit.txt") for path in shown if path.endswith("/bagit.txt")}
    zips = {path for path in shown if path.lower().endswith(".zip")}
    return sorted(folders | {path for path in zips if folders.isdisjoint(_parents(path))})


def _parents(path: str) -> set[str]:
    parts = path.split("/")
    return {"/".join(parts[:count]) for count in range(1, len(parts))}


def _verified(remote: Remote, address: Address) -> Verification:
    folder = address.path.rstrip("/")

    def read(path: str, limit_bytes: int) -> bytes:
        return remote.read(f"{folder}/{path}", limit_bytes)

    def hash_one(path: str, algorithms: Sequence[str]) -> Digests:
        found = remote.hash(f"{folder}/{path}", algorithms)
        return Digests(dict(found.by_algorithm), found.size_bytes)

    with as_store_error("reading", address, _UNSAID):
        entries = [_tree_entry(entry) for entry in remote.entries(folder)]
        if not entries:
            raise DeliveryError(f"{address.shown}: nothing lies there; name a package's folder")
        return verify_elsewhere(address.shown, _with_folders(entries), read, hash_one)


def _tree_entry(entry: RemoteEntry) -> TreeEntry:
    return TreeEntry(entry.path, entry.kind, entry.size_bytes)


def _with_folders(entries: Sequence[TreeEntry]) -> list[TreeEntry]:
    """Stores of objects have no folders: a payload folder is there when something lies in it."""
    has_payload = any(entry.path.startswith("data/") for entry in entries)
    known = {entry.path for entry in entries}
    return [
        *entries,
        *([TreeEntry("data", "folder")] if has_payload and "data" not in known else []),
    ]


def send_copy(
    package: Path, expected_sha256: str, address: Address, on_sent: OnSent | None = None
) -> Copy:
    """Send a published package to a place in a store, under its own name, and read it back.

    expected_sha256: of its tag manifest, as it was sealed.
    Where the same package lies there whole, nothing is sent. Raises DeliveryError where anything
    else has the name, and as ``send_package`` does.
    """
    files = inventory(package)
    outgoing = [
        Outgoing(
            path=item.path,
            local=package / item.path,
            sha256=item.sha256,
            size_bytes=item.size_bytes,
        )
        for item in files
    ]
    if outgoing[-1].sha256 != expected_sha256:
        raise exchanged(package)
    final = address.below(package.name)
    with opened_remote(address) as remote:
        known = _already_there(remote, package, final)
        if known is not None:
            return known
        send_package(remote, outgoing, package.name, on_sent=on_sent)
    return Copy(
        place=final.shown,
        form="folder",
        tag_manifest_sha256=outgoing[-1].sha256,
        files=sum(item.path.startswith("data/") for item in outgoing),
        size_bytes=sum(item.size_bytes for item in outgoing),
    )


def send_zip(
    package: Path, expected_sha256: str, address: Address, on_sent: OnSent | None = None
) -> Copy:
    """Send a published package as one zip, which is made beside it first; see ``send_copy``."""
    name = f"{package.name}.zip"
    with staged_zip(package.parent, name) as (local, stream):
        proof = make_zip(package, expected_sha256, stream, str(local))
        assert proof.tag_manifest_sha256 is not None, "a whole package has a tag manifest"
        copy = Copy(
            place=address.below(name).shown,
            form="zip",
            tag_manifest_sha256=proof.tag_manifest_sha256,
            files=proof.files,
            size_bytes=proof.size_bytes,
            sha256=sha256_of_stream(stream),
        )
        size_bytes = os.fstat(stream.fileno()).st_size
        outgoing = Outgoing(path=name, local=local, sha256=copy.sha256 or "", size_bytes=size_bytes)
        with opened_remote(address) as remote:
            arrival = send_file(remote, outgoing, name)
        if on_sent is not None:
            on_sent(1, 1, name)
        return replace(copy, already_there=arrival.kept > 0)


def _already_there(remote: Remote, package: Path, final: Address) -> Copy | None:
    """The package as it lies in the store, where it is the same and complete."""
    with as_store_error("looking", final, "nothing was sent"):
        if not remote.exists(f"{final.path}/tagmanifest-sha256.txt"):
            return None
        theirs = identity_of(*(_text(remote, final, name) for name in (IDENTITY, "bag-info.txt")))
    ours = identity_of(
        *((package / name).read_text("utf-8") for name in (IDENTITY, "bag-info.txt"))
    )
    if ours != theirs:
        return None  # sending will refuse: something else has the name
    proof = _verified(remote, final)
    if not (proof.is_whole and proof.is_complete) or proof.tag_manifest_sha256 is None:
        first = proof.damages[0].path if proof.damages else "not complete"
        raise DeliveryError(
            f"{final.shown}: this package was delivered before and is damaged there ({first}); "
            "move it away and deliver again; nothing was sent"
        )
    return Copy(
        place=final.shown,
        form="folder",
        tag_manifest_sha256=proof.tag_manifest_sha256,
        files=proof.files,
        size_bytes=proof.size_bytes,
        already_there=True,
    )


def _text(remote: Remote, final: Address, name: str) -> str:
    return remote.read(f"{final.path}/{name}", _MAX_TAG_BYTES).decode("utf-8", "replace")
