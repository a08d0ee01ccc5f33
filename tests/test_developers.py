"""DEVELOPERS.md names rooms, modules and functions that are there."""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "stemprep"
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
GIVEN = TEXT.split("## What each room gives", 1)[1].split("\n## ", 1)[0]
ROWS = dict(re.findall(r"^\| `(\w+)/` \| ([^|]+) \|", GIVEN, re.MULTILINE))
ROOMS = {path.name for path in PACKAGE.iterdir() if (path / "__init__.py").is_file()}
WITHOUT_ROW = {"app", "cli", "demo", "model"}  # told by the stages, the commands, the layers


def public_names(room: str) -> Iterator[str]:
    """What a room offers at its door, and in its modules where it has no door."""
    door = importlib.import_module(f"stemprep.{room}")
    yield from dir(door)
    if not hasattr(door, "__all__"):
        for module in pkgutil.iter_modules(door.__path__):
            yield module.name
            yield from vars(importlib.import_module(f"stemprep.{room}.{module.name}"))


def test_every_room_is_told() -> None:
    assert set(ROWS) == ROOMS - WITHOUT_ROW
    assert all(f"`{room}/`" in TEXT for room in ROOMS)


@pytest.mark.parametrize("room", sorted(ROWS))
def test_what_a_room_gives_is_there(room: str) -> None:
    told = set(re.findall(r"`(\w+)`", ROWS[room]))
    assert told
    assert told <= set(public_names(room))


def test_every_module_that_is_named_is_there() -> None:
    named = set(re.findall(r"`((?:\w+/)*\w+\.py)`", TEXT))
    assert len(named) > 20
    there = {path.relative_to(ROOT).as_posix() for path in ROOT.glob("*/**/*.py")}
    missing = [name for name in named if not any(f"/{path}".endswith(f"/{name}") for path in there)]
    assert not missing


def test_every_step_of_the_use_cases_is_told() -> None:
    stages = TEXT.split("Where each stage", 1)[1].split("## What each room", 1)[0]
    for room in ("app", "work"):
        for path in (PACKAGE / room).rglob("*.py"):
            is_named = f"{path.name}`" in stages or f"`{path.parent.name}/`" in stages
            assert path.name == "__init__.py" or is_named, path
