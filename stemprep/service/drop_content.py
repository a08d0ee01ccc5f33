"""What a drop holds: its state now, the digest of its content, the list of all that lies in it."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Mapping
from pathlib import Path

from stemprep.app.check.inspection import Inspection
from stemprep.descending import FOLDER
from stemprep.intake import open_regular
from stemprep.package import TreeEntry, opened, opened_file, read_digests, walk
from stemprep.service.inbox.tree_snapshot import fingerprint, look_at, sample
from stemprep.service.inbox.unreadable import ClosedError, closed_words

Inventory = dict[str, str]
"""Path in the drop ("" for a bare file) -> sha256, or what else lies there: ``folder``,
``link to TARGET``, ``special``."""


def fingerprint_now(drop: Path, ready_marker: str | None, inbox: int) -> str:
    """The fingerprint of what lies there now; "" where nothing does.

    inbox: descriptor of the folder that the drop lies in. Raises ClosedError where the account may
    not look into it, OSError for all else.
    """
    name = Path(drop.name)
    try:
        look = look_at(name, ready_marker, inbox)
        return "" if look is None else fingerprint(look.identity, sample(name, inbox))
    except FileNotFoundError:
        return ""
    except PermissionError as error:
        os.stat(name, dir_fd=inbox, follow_symlinks=False)  # no closed drop is an inbox that is
        raise ClosedError(closed_words(drop, error)) from error


def content_digest(inspection: Inspection) -> str:
    """Digest of a drop's audio, documents and sheet by path and bytes; times play no part.

    Raises InputError for a document that is no longer there.
    """
    session = inspection.measured.session
    known = {file.path: file.facts.sha256 for file in inspection.measured.files}
    digest = hashlib.sha256()
    for entry in session.entries:
        if entry.kind in ("clutter", "unsafe"):
            continue
        sha256 = known.get(entry.path, "")
        if not sha256:
            with open_regular(session.root, entry.raw_path) as stream:
                sha256 = read_digests(stream.fileno(), ("sha256",)).by_algorithm["sha256"]
        digest.update(f"{sha256}  {entry.path}\n".encode("utf-8", "surrogateescape"))
    return digest.hexdigest()


def known_hashes(inspection: Inspection) -> Mapping[str, str]:
    """Path in the drop -> sha256 as the check pass read it, for an inventory of the same drop."""
    session = inspection.measured.session
    if session.archive is not None:
        return {}
    return {
        os.fsdecode(file.source.entry.raw_path): file.facts.sha256
        for file in inspection.measured.files
        if file.facts.sha256
    }


def inventory(folder: int, name: str, known: Mapping[str, str] | None = None) -> Inventory:
    """Everything in a drop, hashed but for what is ``known``. Raises OSError.

    folder: descriptor of the folder that the drop lies in.
    """
    known = known or {}
    if not stat.S_ISDIR(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode):
        return {"": known.get(name) or _sha256(folder, name)}
    with opened(folder, name, FOLDER) as top:
        return {entry.path: _entry_content(top, entry, known) for entry in walk(top)}


def _entry_content(top: int, entry: TreeEntry, known: Mapping[str, str]) -> str:
    """Say what one entry is; what cannot be read is told as such, it may be clutter."""
    try:
        if entry.kind == "file":
            return known.get(entry.path) or _sha256(top, entry.path)
        if entry.kind == "link":
            return f"link to {os.readlink(entry.path, dir_fd=top)}"
    except PermissionError:
        return "unreadable"
    return entry.kind


def _sha256(folder: int, path: str) -> str:
    with opened_file(folder, path) as descriptor:
        return read_digests(descriptor, ("sha256",)).by_algorithm["sha256"]


def inventory_text(found: Inventory) -> bytes:
    """The inventory as it is kept, any name's bytes included."""
    return json.dumps(found, indent=0, sort_keys=True).encode()


def read_inventory(content: bytes) -> Inventory:
    """The inventory that was kept."""
    return {str(path): str(kept) for path, kept in json.loads(content).items()}
