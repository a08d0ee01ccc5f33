"""What goes wrong with the job store, in words: refused for now, or damaged for good."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stemprep.errors import DeliveryError, StemprepError

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
