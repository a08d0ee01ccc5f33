"""Small faulty files with known answers that lie beside the project, and how they are judged.

A case's README tells how: its expectation is decided by the findings of the checks it asks for that
name the file, under ``fixtures/field_cases.yaml``; every case is a drop of its own.
"""

from __future__ import annotations

import json
import tarfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stemprep.model.finding import Finding
from stemprep.model.session import DropEntry

ROOT = Path(__file__).parents[2]
CASES = ROOT.parent / "shared" / "cases"
SPEC = ROOT / "fixtures" / "field_cases.yaml"


@dataclass(frozen=True, slots=True)
class Drop:
    """One thing to check: the case it belongs to, and its files with what is expected of each.

    prefix: what stands before the report's paths in the list of cases.
    """

    case: str
    path: Path
    asks: frozenset[str]
    prefix: str
    files: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Row:
    """How one file was judged."""

    case: str
    file: str
    expected: str
    told: str
    is_right: bool


def cases(part: str) -> list[dict[str, Any]]:
    """The listed cases of one part; none where the folder is missing."""
    if not CASES.is_dir():
        return []
    listed = json.loads((CASES / "cases.json").read_text(encoding="utf-8"))["cases"]
    return [case for case in listed if case["part"] == part]


def unpack(folder: Path) -> Path:
    """Unpack all cases; their names, links and hidden files are part of them."""
    with tarfile.open(CASES / "cases.tar.gz") as archive:
        archive.extractall(folder, filter="fully_trusted")  # noqa: S202 - our own archive
    return folder / "cases"


def drops_of(case: dict[str, Any], root: Path) -> list[Drop]:
    """A folder is one drop; where each file is given, each is one."""
    files = tuple((file["path"], file["expectation"]) for file in case["files"])
    asks = frozenset(case["asks"])
    if case["drop"] == "each":
        return [Drop(case["id"], root / path, asks, "", ((path, told),)) for path, told in files]
    folders = {path.split("/")[0] for path, _ in files}
    return [
        Drop(
            case["id"],
            root / folder,
            asks,
            f"{folder}/",
            tuple(item for item in files if item[0].startswith(f"{folder}/")),
        )
        for folder in sorted(folders)
    ]


def rows_of(
    drop: Drop, findings: Sequence[Finding], entries: Iterable[DropEntry], *, is_refused: bool
) -> Iterator[Row]:
    """Judge every file of a drop; a refused drop (no audio in it) fails each of its files."""
    audio = {entry.path for entry in entries if entry.kind == "audio"}
    for path, expected in drop.files:
        name = path.removeprefix(drop.prefix) if drop.prefix else None
        asked = [f for f in findings if f.check in drop.asks]
        about = [f for f in asked if name is None or f.file == name or name in f.files]
        severities = {f.severity for f in about} | ({"fail"} if is_refused else set())
        has_repair = any(f.repair for f in about if f.severity != "note")
        told = next((word for word in ("fail", "warn", "note") if word in severities), "nothing")
        checks = ", ".join(sorted({f.check for f in about if f.severity == told}))
        yield Row(
            case=drop.case,
            file=path,
            expected=expected,
            told=f"{told} ({checks})" if checks else told,
            is_right=_is_right(expected, told, has_repair, name in audio),
        )


def _is_right(expected: str, told: str, has_repair: bool, is_audio: bool) -> bool:
    is_quiet = told in ("nothing", "note")
    return {
        "accept": is_quiet,
        "note": told == "note",
        "warn": told == "warn",
        "reject": told == "fail",
        "flag": not is_quiet,
        "not-reject": told != "fail",
        "repair-offered": not is_quiet and has_repair,
        "ignore": is_quiet and not is_audio,
        "any": True,
    }[expected]
