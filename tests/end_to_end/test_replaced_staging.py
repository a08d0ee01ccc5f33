"""Whoever may write into the destination renames the staging folder and plants links in its place.

At every single place where a delivery makes a file or folder: nothing is written through the links,
and nothing that was planted is published.
"""

from __future__ import annotations

import itertools
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from stemprep.app.delivery.deliver import deliver
from stemprep.engine import InlineEngine
from stemprep.errors import DeliveryError
from stemprep.service.archive import _Move
from stemprep.service.drop_content import inventory
from tests.app.mix_drops import make_drop
from tests.service.studio import measure_each_sound_once
from tests.service.test_hostile_inbox import opened

Moment = tuple[str, ...]
"""Functions of the project on the way to what makes a file, innermost last."""


@dataclass(slots=True)
class Watch:
    """Sees each file and folder that is made; at one moment somebody else steps in before."""

    moments: list[Moment] = field(default_factory=list)
    at: Moment = ()
    step_in: Callable[[], None] | None = None

    def see(self, event: str, arguments: tuple[Any, ...]) -> None:
        if event == "open":
            is_making = bool(arguments[2] & os.O_CREAT)
            path = arguments[0] if isinstance(arguments[0], str) else ""
            if not (is_making or ".incoming-" in path):
                return
        moment = (event, *_functions_of_the_project())
        self.moments.append(moment)
        if self.step_in is not None and moment == self.at:
            step_in, self.step_in = self.step_in, None
            step_in()


def _functions_of_the_project() -> Moment:
    """Names of the project's functions that run now, innermost last."""
    names: list[str] = []
    frame: FrameType | None = sys._getframe()
    while frame is not None:
        if "/stemprep/" in frame.f_code.co_filename:
            names.insert(0, frame.f_code.co_name)
        frame = frame.f_back
    return tuple(names)


_watches: list[Watch] = []
"""At most one: a hook once added stays for the life of the process."""


def _hook(event: str, arguments: tuple[Any, ...]) -> None:
    if _watches and event in ("open", "os.mkdir", "os.symlink", "os.rename"):
        watch = _watches.pop()
        try:
            watch.see(event, arguments)
        finally:
            _watches.append(watch)


sys.addaudithook(_hook)


@contextmanager
def watched(watch: Watch) -> Iterator[Watch]:
    _watches.append(watch)
    try:
        yield watch
    finally:
        _watches.clear()


def plant(kind: str, place: Path, victim: Path) -> list[Path]:
    """What an attacker puts where ``.incoming-*`` was; what lies in the victim's folder then."""
    for staging in sorted(place.glob(".incoming-*")):
        away = place / f"away{staging.name}"
        staging.rename(away)
        for folder in [away, *away.rglob("*")] if away.is_dir() else []:
            if folder.is_dir():
                (victim / folder.relative_to(away)).mkdir(parents=True, exist_ok=True)
        if kind == "link":
            staging.symlink_to(victim)
        elif kind == "links inside":
            staging.mkdir()
            for folder in victim.iterdir():
                (staging / folder.name).symlink_to(folder)
        elif away.is_dir():
            shutil.copytree(away, staging)
        else:
            shutil.copy(away, staging)
        if os.geteuid() == 0 and not staging.is_symlink():
            os.chown(staging, SOMEBODY, SOMEBODY)
    return sorted(victim.rglob("*"))


SOMEBODY = 65_534
LEVELS = '  - {file: "*", level_db: -8}\n'
KINDS = ("link", "links inside", "copy")


@dataclass(frozen=True, slots=True)
class Room:
    drop: Path
    out: Path
    victim: Path

    @classmethod
    def made(cls, root: Path, drop: Path) -> Room:
        for name in ("out", "victim"):
            (root / name).mkdir(parents=True)
        return cls(drop, root / "out", root / "victim")

    def deliver(self, spec: str, form: str) -> None:
        deliver(self.drop, spec, [self.out], engine=InlineEngine(), form=form)  # type: ignore[arg-type]

    def visible(self) -> list[Path]:
        return [
            path for path in self.out.iterdir() if not path.name.startswith((".incoming-", "away"))
        ]


@pytest.fixture(autouse=True)
def _measure_once(monkeypatch: pytest.MonkeyPatch) -> None:
    measure_each_sound_once(monkeypatch)


@pytest.fixture(scope="module")
def drop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three short tracks: 13 long ones make the same files and folders at the same moments."""
    folder = tmp_path_factory.mktemp("replaced") / "drop"
    return make_drop(folder, tracks=("Overheads", "Lead Vox", "Gtr"), levels=LEVELS, seconds=0.5)


CASES = [("overdub", "folder", 30), ("archive", "folder", 15), ("mastering", "zip", 20)]


@pytest.mark.no_cover
@pytest.mark.parametrize(("spec", "form", "least"), CASES)
def test_nothing_goes_through_planted_links(
    tmp_path: Path, drop: Path, spec: str, form: str, least: int
) -> None:
    room = Room.made(tmp_path / "seen", drop)
    with watched(Watch()) as seen:
        room.deliver(spec, form)
    assert len(room.visible()) == 1
    expected = [path.read_bytes() for path in room.visible() if path.is_file()]
    planted = 0
    moments = dict.fromkeys(seen.moments)
    assert len(moments) > least
    for number, moment in enumerate(moments):
        room = Room.made(tmp_path / str(number), drop)
        before: list[Path] = []

        def step_in(room: Room = room, number: int = number, before: list[Path] = before) -> None:
            before += plant(KINDS[number % len(KINDS)], room.out, room.victim)

        watch = Watch(at=moment, step_in=step_in)
        said = ""
        with watched(watch):
            try:
                room.deliver(spec, form)
            except DeliveryError as error:
                said = str(error)
        assert watch.step_in is None, moment
        if list(room.out.glob("away*")):  # else nothing was there to rename yet, or any more
            planted += 1
            assert sorted(room.victim.rglob("*")) == before, moment
            if said or form == "folder":
                assert ".incoming-" in said, (moment, said)
                assert room.visible() == [], moment
            else:  # built in a planted folder, and held against what was sealed in it
                assert [path.read_bytes() for path in room.visible()] == expected, moment
        else:
            assert not said, moment
    assert planted > 5


def test_nothing_is_archived_through_planted_links(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A drop that is copied to an archive on another disk."""

    def room(number: int) -> tuple[_Move, Path]:
        root = tmp_path / str(number)
        for name in ("in/.leaving-1/takes", "archive", "victim"):
            (root / name).mkdir(parents=True)
        (root / "in/.leaving-1/takes/Kick.wav").write_bytes(b"sound")
        (root / "in/.leaving-1/notes").symlink_to("takes")
        home, shelf = opened(root / "in", "inbox"), opened(root / "archive", "archive")
        move = _Move(
            home=home, shelf=shelf, drop="ferry", leaving=".leaving-1", target="ferry", job="job",
            expected=inventory(home.descriptor, ".leaving-1"),
        )  # fmt: skip
        return move, root

    move, root = room(0)
    with watched(Watch()) as seen:
        assert move._copy_and_remove() == ""
    assert (root / "archive/ferry/takes/Kick.wav").read_bytes() == b"sound"
    moments = [moment for moment in dict.fromkeys(seen.moments) if "open_staging" not in moment]
    assert len(moments) > 3
    for number, (moment, kind) in enumerate(itertools.product(moments, KINDS), start=1):
        move, root = room(number)
        before: list[Path] = []

        def step_in(root: Path = root, kind: str = kind, before: list[Path] = before) -> None:
            before += plant(kind, root / "archive", root / "victim")

        with watched(Watch(at=moment, step_in=step_in)), suppress(DeliveryError, OSError):
            move._copy_and_remove()
        assert sorted((root / "victim").rglob("*")) == before, (moment, kind)
        kept = [root / place / "takes/Kick.wav" for place in ("in/.leaving-1", "archive/ferry")]
        assert [path.read_bytes() for path in kept if path.exists()] == [b"sound"], (moment, kind)
