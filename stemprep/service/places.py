"""Places: inboxes, destinations and archives, folders that the service never makes by itself.

Each holds an identity file, which ``stemprep places --make`` leaves there once and writes into the
job store with the disk that it was made on. A folder under the right name that lacks it is another
one, as where a share is not mounted; it is *away*, and so is a place on another disk than recorded,
a read-only and a full one. What is done in a place is done through a descriptor that was proved to
be the place's own: a mount that goes while it is worked on takes nothing to another disk.
"""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal
from urllib.parse import quote

from stemprep.descending import FILE
from stemprep.errors import DeliveryError
from stemprep.model.service import PLACE_FILE, Inbox, ServiceConfig
from stemprep.service.mounts import disk_of, mount_number
from stemprep.service.store import Store
from stemprep.units import size_in_words


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceRecord:
    """identity: what its identity file holds; disk: as ``mounts.disk_of`` tells it."""

    identity: str
    disk: str


def place_record(store: Store, path: Path) -> PlaceRecord | None:
    """What is known of a place; None where it was never made. Raises StoreError."""
    query = "SELECT value FROM service WHERE key = ?"
    found = store.read(query, (_key(path),), _record_of)
    return found[0] if found else None


def _record_of(row: sqlite3.Row) -> PlaceRecord:
    """The record of a row; any error for what was never written."""
    values = json.loads(row["value"])
    if not all(isinstance(values[field], str) for field in ("identity", "disk")):
        raise ValueError("a place that was never recorded")
    return PlaceRecord(**values)


def record_place(store: Store, path: Path, record: PlaceRecord) -> None:
    """Write down what a place is known by, on the disk when this returns."""
    with store.transaction() as connection:
        connection.execute(
            "INSERT OR REPLACE INTO service VALUES (?, ?)",
            (_key(path), json.dumps(asdict(record))),
        )


def _key(path: Path) -> str:
    """Any path's bytes as text that every database takes."""
    return f"place {quote(os.fsencode(path))}"


FULL_BYTES = 4 << 20
"""With less room than this nothing more can be written that matters: reports need as much."""
_MAX_IDENTITY_BYTES = 4096
_BEGINNING = b"stemprep-place-1\n"
_LINK_ALLOWED = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC

Role = Literal["inbox", "destination", "archive"]


class AwayError(DeliveryError):
    """A place is away; jobs that need it wait, and that is no attempt."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A folder of the config; roles: what it is used for, each once."""

    path: Path
    roles: tuple[Role, ...]

    @property
    def shown(self) -> str:
        """Its first role and its path, as messages begin."""
        return f"{self.roles[0]} {self.path}"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPlace:
    """A place that was there when it was opened; ``descriptor`` stays its own, whatever is mounted.

    mount: number of its mount, which no other has while this is open; 0 where none is told.
    """

    place: Place
    descriptor: int
    mount: int

    @property
    def path(self) -> Path:
        """Where it lies."""
        return self.place.path

    def is_same(self) -> bool:
        """Tell whether its path still leads to it, by the same mount: else it was away meanwhile.

        The number of a mount is not given to another while a file on it is open.
        """
        try:
            descriptor = os.open(self.path, _LINK_ALLOWED)
        except OSError:
            return False
        try:
            is_it = os.path.samestat(os.fstat(descriptor), os.fstat(self.descriptor))
            return is_it and mount_number(descriptor) == self.mount
        finally:
            os.close(descriptor)

    def require_same(self) -> None:
        """Raise AwayError where it was away meanwhile: what was seen there cannot be relied on."""
        if not self.is_same():
            raise AwayError(
                f"{self.place.shown} was away while it was worked with; that is done again"
            )


def places_of(config: ServiceConfig) -> tuple[Place, ...]:
    """Every folder of a config but the state folder, each once: inboxes, destinations, archives."""
    roles: dict[Path, dict[Role, None]] = {}
    for inbox in config.inboxes:
        roles.setdefault(inbox.path, {})["inbox"] = None
    for destination in config.destinations:
        roles.setdefault(destination, {})["destination"] = None
    for inbox in config.inboxes:
        if inbox.archive is not None:
            roles.setdefault(inbox.archive, {})["archive"] = None
    return tuple(Place(path=path, roles=tuple(found)) for path, found in roles.items())


class Places:
    """The places of a service as they are now; may be shared between threads."""

    def __init__(self, config: ServiceConfig, store: Store) -> None:
        self._known = {place.path: place for place in places_of(config)}
        self._store = store

    @contextmanager
    def opened(self, path: Path) -> Iterator[OpenPlace]:
        """Open a place for as long as the block lasts. Raises AwayError."""
        descriptor = self.open_folder(path)
        try:
            place = self._place(path)
            yield OpenPlace(place=place, descriptor=descriptor, mount=mount_number(descriptor))
        finally:
            os.close(descriptor)

    def open_folder(self, path: Path) -> int:
        """Open a place and prove that it is the one recorded; the caller closes it.

        Raises AwayError.
        """
        return open_place(self._place(path), place_record(self._store, path))

    def why_away(self, path: Path) -> str:
        """Say why a place is away; "" where it is there."""
        try:
            os.close(self.open_folder(path))
        except AwayError as away:
            return str(away)
        return ""

    def _place(self, path: Path) -> Place:
        """An archive that the config names no more may still await a drop that is on its way."""
        return self._known.get(path) or Place(path=path, roles=("archive",))


def open_place(place: Place, record: PlaceRecord | None) -> int:
    """Open a place and prove that it is the one recorded. Raises AwayError: where, what, why."""
    if record is None:
        raise AwayError(
            f"{place.shown} was never made known to the service; run "
            "'stemprep places --config FILE --make'"
        )
    descriptor = _open(place)
    try:
        _require_recorded(place, descriptor, record)
        _require_writable(place, descriptor)
    except OSError as error:
        os.close(descriptor)
        raise _no_answer(place, error) from error
    except BaseException:
        os.close(descriptor)
        raise
    return descriptor


def _open(place: Place) -> int:
    try:
        return os.open(place.path, _LINK_ALLOWED)
    except FileNotFoundError as error:
        raise AwayError(f"{place.shown} is away: it is not there; mount its share") from error
    except NotADirectoryError as error:
        raise AwayError(
            f"{place.shown} is away: something that is no folder has its name; put that right"
        ) from error
    except OSError as error:
        raise _no_answer(place, error) from error


def _no_answer(place: Place, error: OSError) -> AwayError:
    return AwayError(
        f"{place.shown} is away: it cannot be looked into ({error.strerror}); "
        "look after its share or disk, and at the service's right to enter it"
    )


def _require_recorded(place: Place, descriptor: int, record: PlaceRecord) -> None:
    renew = (
        f"if this is the right folder, 'stemprep places --config FILE --renew {place.path}' says so"
    )
    found = read_identity(descriptor)
    if not found:
        raise AwayError(
            f"{place.shown} is away: another folder lies there, without the identity file "
            f"{PLACE_FILE}; mount its share; {renew}"
        )
    if found != record.identity:
        raise AwayError(
            f"{place.shown} is away: another place lies there, its {PLACE_FILE} is not the one "
            f"recorded; mount the right share; {renew}"
        )
    disk = disk_of(descriptor)
    if disk != record.disk:
        raise AwayError(
            f"{place.shown} is away: it lies on another disk ({disk}) than recorded "
            f"({record.disk}), perhaps a copy of it; mount its share; {renew}"
        )


def _require_writable(place: Place, descriptor: int) -> None:
    found = os.fstatvfs(descriptor)
    if found.f_flag & os.ST_RDONLY:
        raise AwayError(f"{place.shown} is away: its disk is read-only; mount it for writing")
    if place.roles != ("inbox",) and not os.access(place.path, os.W_OK | os.X_OK):
        raise AwayError(
            f"{place.shown} is away: it cannot be written to; give the service write permission"
        )
    free_bytes = found.f_bavail * found.f_frsize
    if found.f_blocks and free_bytes < FULL_BYTES:
        raise AwayError(
            f"{place.shown} is away: its disk is full ({size_in_words(free_bytes)} free); make room"
        )


def read_identity(descriptor: int) -> str:
    """The identity in an open folder; "" where there is none, or nothing that could be one.

    Links are not followed, pipes not waited for. Raises OSError where the disk gives no answer.
    """
    try:
        file = os.open(PLACE_FILE, FILE, dir_fd=descriptor)
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ELOOP, errno.ENXIO):  # nothing, a link, a socket
            return ""
        raise
    try:
        if not stat.S_ISREG(os.fstat(file).st_mode):
            return ""
        content = os.pread(file, _MAX_IDENTITY_BYTES, 0)
    finally:
        os.close(file)
    if not content.startswith(_BEGINNING):
        return ""
    first = content.removeprefix(_BEGINNING).split(b"\n", 1)[0]
    return first.decode("ascii", "replace").strip()


def identity_content(identity: str) -> bytes:
    """What an identity file holds: what it is, and for whom who finds it."""
    explanation = (
        "This file tells the stemprep service that this folder is the one it knows, and not\n"
        "another under the same name while a share is not mounted. Leave it here, and copy it\n"
        "nowhere. Without it the service waits and moves nothing.\n"
    )
    return _BEGINNING + f"{identity}\n\n{explanation}".encode()


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPlaces:
    """The places of one job, held open from its beginning to its end.

    inbox:        where its drop lies.
    destinations: those of the config that are there; away: why the others are not.
    """

    inbox: OpenPlace
    destinations: dict[Path, OpenPlace]
    away: dict[Path, str]

    @property
    def are_same(self) -> bool:
        """Whether none of them was away meanwhile."""
        return all(place.is_same() for place in self._opened)

    def require_same(self) -> None:
        """Raise AwayError where one was: what was seen or not found there says nothing."""
        for place in self._opened:
            place.require_same()

    @property
    def _opened(self) -> tuple[OpenPlace, ...]:
        return (self.inbox, *self.destinations.values())

    def first(self, inbox: Inbox) -> OpenPlace:
        """The destination that packages are made in. Raises AwayError."""
        return self.destination(inbox.deliver_to[0])

    def destination(self, path: Path) -> OpenPlace:
        """One destination. Raises AwayError."""
        if path in self.away:
            raise AwayError(self.away[path])
        return self.destinations[path]
