"""The file that holds the job store: its tables, opening it, and its faults in words."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

from stemprep.errors import DeliveryError, InputError, StemprepError

_FOR_NOW = frozenset(
    {
        sqlite3.SQLITE_PERM, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_NOMEM,
        sqlite3.SQLITE_READONLY, sqlite3.SQLITE_INTERRUPT, sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PROTOCOL, sqlite3.SQLITE_AUTH,
    }
)  # fmt: skip
"""Primary result codes that no content of the file causes (SQLite, Result and Error Codes)."""


class StoreError(DeliveryError):
    """The job store refused; its words name no drop."""


class DamagedStoreError(StoreError):
    """The job store holds what nobody has written; trying again does not help."""


@contextmanager
def store_faults(file: Path) -> Iterator[None]:
    """Whatever reading or writing the store raises inside is a StoreError.

    For statements and the making of records from rows alone, because every other exception than
    the disk's is taken for damage: SQLite hands out values as it finds them, so a changed byte may
    surface as any error of theirs.
    """
    try:
        yield
    except StemprepError:
        raise
    except (sqlite3.ProgrammingError, OSError) as error:  # closed already; the disk
        raise _refused(file, error) from error
    except Exception as error:
        code = getattr(error, "sqlite_errorcode", None)
        if code is not None and code & 0xFF in _FOR_NOW:
            raise _refused(file, error) from error
        raise damaged(file, str(error) or type(error).__name__) from error


def damaged(file: Path, found: str) -> DamagedStoreError:
    """The error for a store that does not hold together."""
    return DamagedStoreError(
        f"{file}: the job store cannot be used ({found}); check disk and permissions. If it "
        "is damaged, stop the service, move it aside with its -wal and -shm and start again: what "
        "was delivered already is known by its packages"
    )


def _refused(file: Path, error: Exception) -> StoreError:
    return StoreError(
        f"{file}: the job store refused ({error}); "
        "free space on its disk and check it; the job is tried again"
    )


STORE_FILE = "jobs.sqlite3"
VERSION = 1
BUSY_S = 10.0
CACHE_KIB = 256  # the default of 2,000 fills as the history grows, and the service with it
_TABLES = """
CREATE TABLE jobs (
    job            INTEGER PRIMARY KEY AUTOINCREMENT,
    inbox          BLOB    NOT NULL,
    name           TEXT    NOT NULL,
    raw_name       BLOB    NOT NULL,
    spec           TEXT    NOT NULL,
    state          TEXT    NOT NULL,
    reason         TEXT    NOT NULL DEFAULT '',
    fingerprint    TEXT    NOT NULL DEFAULT '',
    content        TEXT    NOT NULL DEFAULT '',
    files          INTEGER NOT NULL DEFAULT 0,
    size_bytes     INTEGER NOT NULL DEFAULT 0,
    received_s     REAL    NOT NULL,
    changed_s      REAL    NOT NULL,
    not_before_s   REAL    NOT NULL DEFAULT 0,
    attempts       INTEGER NOT NULL DEFAULT 0,
    interruptions  INTEGER NOT NULL DEFAULT 0,
    lease_until_s  REAL    NOT NULL DEFAULT 0,
    package        TEXT    NOT NULL DEFAULT '',
    destination    TEXT    NOT NULL DEFAULT '',
    tag_sha256     TEXT    NOT NULL DEFAULT '',
    stem           TEXT    NOT NULL DEFAULT '',
    is_titled      INTEGER NOT NULL DEFAULT 0,
    number         INTEGER NOT NULL DEFAULT 0,
    verdict        TEXT    NOT NULL DEFAULT '',
    audio_s        REAL    NOT NULL DEFAULT 0,
    archived_as    BLOB    NOT NULL DEFAULT x''
) STRICT;
CREATE INDEX jobs_by_state ON jobs (state, not_before_s);
CREATE INDEX jobs_by_drop ON jobs (inbox, raw_name, spec, job);
CREATE INDEX jobs_by_package ON jobs (destination, stem, job);
CREATE TABLE steps (
    job      INTEGER NOT NULL REFERENCES jobs (job),
    at_s     REAL    NOT NULL,
    state    TEXT    NOT NULL,
    attempts INTEGER NOT NULL,
    reason   TEXT    NOT NULL
) STRICT;
CREATE INDEX steps_by_job ON steps (job);
CREATE TABLE notices (
    job  INTEGER NOT NULL REFERENCES jobs (job),
    kind TEXT    NOT NULL,
    PRIMARY KEY (job, kind)
) STRICT;
CREATE TABLE papers (path BLOB PRIMARY KEY) STRICT;
CREATE TABLE service (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
"""


Access = Literal["make", "write", "read"]


def opened_store(state: Path, access: Access) -> sqlite3.Connection:
    """Open the store in a state folder; ``make``: also where there is none yet.

    Every commit is on the disk when it returns (WAL, synchronous FULL). Raises InputError where
    there is no store, DamagedStoreError where it does not hold together, StoreError where the disk
    refuses, DeliveryError where it is a newer release's.
    """
    file = state / STORE_FILE
    with store_faults(file):
        if access == "make" and not os.path.lexists(file):
            _make(file)
        if not os.path.isfile(file):  # noqa: PTH113 - pathlib's raises
            raise _no_store(file)
        connection = _connected(file, "ro" if access == "read" else "rw")
        try:
            _require_sound(connection, file)
            if access == "make":
                connection.execute("PRAGMA journal_mode = WAL")  # a backup may have lost it
        except BaseException:
            connection.close()
            raise
    return connection


def _connected(file: Path, mode: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{file.absolute().as_uri()}?mode={mode}",
        uri=True,
        timeout=BUSY_S,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
    except BaseException:
        connection.close()
        raise
    return connection


def _make(file: Path) -> None:
    """Have an empty store appear whole: a file of its name that holds none is damaged."""
    log = file.with_name(f"{file.name}-wal")
    if log.exists() and log.stat().st_size:
        raise DeliveryError(
            f"{log}: lies there without {file.name}, whose last changes it may hold; put that "
            "back, or move this aside too"
        )
    hidden = file.with_name(f".{file.name}")
    for old in (log, file.with_name(f"{file.name}-shm"), *file.parent.glob(f"{hidden.name}*")):
        old.unlink(missing_ok=True)
    connection = _connected(hidden, "rwc")
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.executescript(
            f"BEGIN IMMEDIATE;{_TABLES}PRAGMA user_version = {VERSION};COMMIT;"
        )
    finally:
        connection.close()  # the last one: what the log holds is in the file then
    hidden.rename(file)
    folder = os.open(file.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _require_sound(connection: sqlite3.Connection, file: Path) -> None:
    """Look at every page once, 2 ms for each 1,000 jobs."""
    found = connection.execute("PRAGMA user_version").fetchone()[0]
    if found > VERSION:
        raise DeliveryError(
            f"{file}: was written by a newer release of stemprep; use that one, "
            "or another state folder"
        )
    if found < VERSION:
        raise damaged(file, "it holds no jobs, not even an empty list of them")
    says = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    if says != "ok":
        raise damaged(file, says)


def _no_store(file: Path) -> InputError:
    return InputError(
        f"{file}: there is no job store; is this the config of the service, "
        "has the service run with it, and may you read its state folder?"
    )
