"""Sending a package to a store: in an order that shows what is missing, and read back.

What identifies the package goes first and what completes it goes last, so that an upload that was
cut off is known for what it is. Where the store can rename, the package grows under a hidden name.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.transfer.address import Address
from stemprep.transfer.faults import as_store_error
from stemprep.transfer.remote import Remote, RemoteEntry

OnSent = Callable[[int, int, str], None]
_NOTHING = "what has arrived stays there as incomplete, and is not sent again"
_ALGORITHM = "sha256"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """One file to send: path in the package, where it lies, its sha256 and size."""

    path: str
    local: Path
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """What a transfer did: files sent now, files that had arrived before, bytes sent now."""

    address: Address
    sent: int
    kept: int
    sent_bytes: int


def send_package(
    remote: Remote,
    files: Sequence[Outgoing],
    name: str,
    *,
    on_sent: OnSent | None = None,
) -> Arrival:
    """Send a package's files, in the given order, to a folder ``name`` below the remote's address.

    files: the first one identifies the package: what lies there under the name and has another
           first file is another package. The last one completes it.
    Each file is read back whole and compared. Files that arrived before, with the right hash, are
    not sent again. Raises DeliveryError when something else has the name, the store gives back
    other bytes, or the transfer fails; what has arrived then stays for the next attempt.
    """
    final = remote.address.below(name)
    with as_store_error("sending", final, _NOTHING):
        return _sent(remote, files, final, on_sent)


def _sent(
    remote: Remote, files: Sequence[Outgoing], final: Address, on_sent: OnSent | None
) -> Arrival:
    staging = _staging(remote, final)
    there = {entry.path: entry for entry in remote.entries(staging) if entry.kind != "folder"}
    _refuse_foreign(remote, files, there, final, staging)
    sent = kept = sent_bytes = 0
    for number, file in enumerate(files, start=1):
        place = f"{staging}/{file.path}"
        if _has_arrived(remote, file, there.get(file.path), place):
            kept += 1
        else:
            remote.send(file.local, place)
            _read_back(remote, file, place, final)
            sent += 1
            sent_bytes += file.size_bytes
        if on_sent is not None:
            on_sent(number, len(files), file.path)
    _refuse_extra(remote, files, final, staging)
    if staging != final.path:
        remote.rename(staging, final.path)
    return Arrival(address=final, sent=sent, kept=kept, sent_bytes=sent_bytes)


def send_file(remote: Remote, file: Outgoing, name: str) -> Arrival:
    """Send one file under a name below the remote's address; it appears there when it is whole.

    Nothing is sent where the same file lies there. Raises DeliveryError as ``send_package`` does.
    """
    final = remote.address.below(name)
    with as_store_error("sending", final, "nothing was published"):
        if remote.exists(final.path):
            if remote.hash(final.path, (_ALGORITHM,)).by_algorithm[_ALGORITHM] != file.sha256:
                raise _taken(final)
            return Arrival(address=final, sent=0, kept=1, sent_bytes=0)
        folder, slash, _ = final.path.rpartition("/")
        staged = f"{folder}{slash}.incoming-{name}" if remote.can_rename else final.path
        remote.send(file.local, staged)
        try:
            _read_back(remote, file, staged, final)
        except DeliveryError:
            remote.remove(staged)
            raise
        if staged != final.path:
            remote.rename(staged, final.path)
        return Arrival(address=final, sent=1, kept=0, sent_bytes=file.size_bytes)


def _staging(remote: Remote, final: Address) -> str:
    """A hidden folder beside the final place; the final place itself where nothing is renamed."""
    if not remote.can_rename:
        return final.path
    if remote.exists(final.path):
        raise _taken(final)
    folder, _, name = final.path.rpartition("/")
    return f"{folder}/.incoming-{name}"


def _taken(final: Address) -> DeliveryError:
    return DeliveryError(
        f"{final.shown}: something else has this name already; move or rename what lies there, "
        "deliver to another destination, or make this the next delivery (raise 'delivery' in "
        "session.yaml); nothing was sent"
    )


def _refuse_foreign(
    remote: Remote,
    files: Sequence[Outgoing],
    there: dict[str, RemoteEntry],
    final: Address,
    staging: str,
) -> None:
    """What lies there must be the beginning of this very package."""
    if not there:
        return
    first, last = files[0], files[-1]
    known = {file.path for file in files}
    is_ours = first.path in there and there.keys() <= known and last.path not in there
    if is_ours:
        back = remote.hash(f"{staging}/{first.path}", (_ALGORITHM,))
        is_ours = back.by_algorithm[_ALGORITHM] == first.sha256 or len(there) == 1
    if not is_ours:
        raise _taken(final)


def _has_arrived(remote: Remote, file: Outgoing, entry: RemoteEntry | None, place: str) -> bool:
    if entry is None or entry.kind != "file" or entry.size_bytes != file.size_bytes:
        return False
    return remote.hash(place, (_ALGORITHM,)).by_algorithm[_ALGORITHM] == file.sha256


def _read_back(remote: Remote, file: Outgoing, place: str, final: Address) -> None:
    back = remote.hash(place, (_ALGORITHM,))
    if (back.by_algorithm[_ALGORITHM], back.size_bytes) != (file.sha256, file.size_bytes):
        raise DeliveryError(
            f"{final.shown}: {file.path} came back as {back.size_bytes} bytes that differ from the "
            f"{file.size_bytes} sent; repeat the delivery, and if that happens again, do not trust "
            "that store"
        )


def _refuse_extra(remote: Remote, files: Sequence[Outgoing], final: Address, staging: str) -> None:
    found = {entry.path for entry in remote.entries(staging) if entry.kind != "folder"}
    differing = sorted(found ^ {file.path for file in files})
    if differing:
        raise DeliveryError(
            f"{final.shown}: {differing[0]} does not lie there as it should; something else writes "
            "there: repeat the delivery elsewhere"
        )
