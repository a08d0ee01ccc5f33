"""Rows of the job store as records, records as rows, and the small statements that many share."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Collection
from pathlib import Path
from typing import Any, cast

from stemprep.errors import DeliveryError
from stemprep.service.jobs import Job, State
from stemprep.service.store_tables import STORE_FILE


class StoreError(DeliveryError):
    """The job store refused; its words name no drop."""


def refused(state: Path, error: sqlite3.Error) -> StoreError:
    """What sqlite refused, in words."""
    return StoreError(
        f"{state / STORE_FILE}: the job store refused ({error}); "
        "free space on its disk and check it; the job is tried again"
    )


def marks(values: Collection[object]) -> str:
    """As many question marks as there are values."""
    return ", ".join("?" for _ in values)


def add_step(connection: sqlite3.Connection, number: int, now_s: float) -> None:
    """Write down in the history how a job stands now."""
    connection.execute(
        "INSERT INTO steps SELECT job, ?, state, attempts, reason FROM jobs WHERE job = ?",
        (now_s, number),
    )


def add_notice(connection: sqlite3.Connection, number: int, kind: str) -> None:
    """Note that something is to be told; "" for nothing."""
    if kind:
        connection.execute("INSERT OR IGNORE INTO notices VALUES (?, ?)", (number, kind))


def row_of(job: Job) -> dict[str, Any]:
    """A job's columns."""
    values = {name: getattr(job, name) for name in Job.__dataclass_fields__}
    return {**values, "inbox": os.fsencode(job.inbox), "is_titled": int(job.is_titled)}


def job_of(row: sqlite3.Row) -> Job:
    """The job of a row."""
    values = dict(row)
    return Job(
        **{
            **values,
            "inbox": Path(os.fsdecode(values["inbox"])),
            "state": cast("State", values["state"]),
            "is_titled": bool(values["is_titled"]),
        }
    )
