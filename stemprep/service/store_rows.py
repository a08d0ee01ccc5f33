"""Rows of the job store as records, records as rows, and the small statements that many share."""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast, get_args

from stemprep.model.service import NoticeKind
from stemprep.model.words import Verdict
from stemprep.service.jobs import STATES, Job, State, Step

_LARGEST = 1 << 53
"""Of counts, sizes and seconds: beyond, doubles leave out whole numbers."""
_SHA256 = re.compile(r"(?:[0-9a-f]{64})?")
_KINDS: dict[str, type] = {
    "int": int, "float": float, "str": str, "bytes": bytes, "bool": int, "Path": bytes,
    "State": str,
}  # fmt: skip
_JOB_COLUMNS = {name: _KINDS[str(field.type)] for name, field in Job.__dataclass_fields__.items()}
_STEP_COLUMNS = {name: _KINDS[str(field.type)] for name, field in Step.__dataclass_fields__.items()}


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocked:
    """Inboxes whose jobs cannot go on now: those to be begun, those to be finished."""

    waiting: tuple[Path, ...] = ()
    published: tuple[Path, ...] = ()


NOTHING_BLOCKED = Blocked()


def unblocked(blocked: Blocked) -> tuple[str, tuple[bytes, ...]]:
    """The condition that a row of ``next`` is of no such inbox, and its values."""
    inboxes = {"waiting": blocked.waiting, "published": blocked.published}
    terms = [
        f"NOT (next.state = '{state}' AND next.inbox IN ({marks(paths)}))"
        for state, paths in inboxes.items()
    ]
    return " AND ".join(terms), tuple(map(os.fsencode, (*blocked.waiting, *blocked.published)))


def row_of(job: Job) -> dict[str, Any]:
    """A job's columns."""
    values = {name: getattr(job, name) for name in Job.__dataclass_fields__}
    return {**values, "inbox": os.fsencode(job.inbox), "is_titled": int(job.is_titled)}


def job_of(row: sqlite3.Row) -> Job:
    """The job of a row. Raises ValueError or another error for what was never written."""
    values = _required(row, _JOB_COLUMNS)
    raw_name: bytes = values["raw_name"]
    _require(raw_name not in (b"", b".", b"..") and b"/" not in raw_name, "raw_name")
    _require("/" not in values["package"], "package")
    _require(_SHA256.fullmatch(values["tag_sha256"]) is not None, "tag_sha256")
    _require(values["verdict"] in ("", *get_args(Verdict)), "verdict")
    state_of(values["state"])
    _require(values["is_titled"] in (0, 1), "is_titled")
    return Job(
        **{
            **values,
            "inbox": Path(os.fsdecode(values["inbox"])),
            "is_titled": bool(values["is_titled"]),
        }
    )


def step_of(row: sqlite3.Row) -> Step:
    """The step of a row; raises as ``job_of``."""
    values = _required(row, _STEP_COLUMNS)
    state_of(values["state"])
    return Step(**values)


def notice_of(row: sqlite3.Row) -> tuple[int, NoticeKind]:
    """The job that something is to be told of, and what; raises as ``job_of``."""
    values = _required(row, {"job": int, "kind": str})
    _require(values["kind"] in get_args(NoticeKind), "kind")
    return values["job"], values["kind"]


def state_of(value: object) -> State:
    """A state of a job; raises as ``job_of``."""
    _require(value in STATES, "state")
    return cast("State", value)


def count_of(value: object) -> int:
    """A whole number that counts something; raises as ``job_of``."""
    return int(_checked(value, int, "count"))


def seconds_of(value: object) -> float:
    """A finite number of seconds; raises as ``job_of``."""
    return float(_checked(value, float, "seconds"))


def _required(row: sqlite3.Row, columns: Mapping[str, type]) -> dict[str, Any]:
    found = dict(row)
    return {name: _checked(found.pop(name), kind, name) for name, kind in columns.items()}


def _checked(value: Any, kind: type, name: str) -> Any:
    """A value as our own statements write it: of its kind, finite, in range, without NUL."""
    _require(type(value) is kind, name)
    if kind is int:
        _require(0 <= value <= _LARGEST, name)
    elif kind is float:
        _require(abs(value) <= _LARGEST, name)  # NaN and infinite are not
    elif kind in (str, bytes):
        _require((b"\0" if kind is bytes else "\0") not in value, name)
    return value


def _require(is_so: bool, name: str) -> None:
    if not is_so:
        raise ValueError(f"a value of {name} that was never written")
