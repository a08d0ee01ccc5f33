"""What the job store knows of places: the identity and the disk that each had when it was made."""

from __future__ import annotations

import json
import os
import sqlite3
from dataclasses import asdict, dataclass
from pathlib import Path
from urllib.parse import quote

from stemprep.service.store import Store


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
