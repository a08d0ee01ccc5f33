"""Killed anywhere, each drop is delivered once, nothing half is seen, originals stay whole."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from stemprep.model.service import PLACE_FILE
from tests.service.dying import archive_on_another_disk, run_and_die, run_and_kill
from tests.service.studio import Studio, digests, hurry, measure_each_sound_once

RANDOM_KILLS = 40
PARTS = 4  # of the steps, for as many workers of the suite


@pytest.fixture(autouse=True)
def _hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    hurry(monkeypatch)
    measure_each_sound_once(monkeypatch)


def originals(studio: Studio, name: str) -> list[dict[str, str]]:
    """The drop's files in each place where the whole drop lies."""
    places = (studio.inbox / name, studio.root / "archive" / name)
    leaving = studio.inbox.glob(".leaving-*")
    return [digests(place) for place in (*places, *leaving) if place.is_dir()]


def require_delivered_once(studio: Studio, out: Path, name: str) -> None:
    ours = ("index.html", PLACE_FILE)
    visible = [path.name for path in out.iterdir() if path.name not in ours]
    assert visible == [f"{name}_mastering_01"]  # nothing else, no staging either
    assert (studio.inbox / f"{name}.receipt.html").is_file()
    assert (studio.inbox / f"{name}.receipt.txt").is_file()


def killed_before_steps(root: Path, first: int, every: int, *, after: str) -> int:
    """Let the service die before one step after the other; the number of that it never came to."""
    step = first
    while True:
        folder = root / str(step)
        studio = Studio.built(
            folder,
            deliver_to=(folder / "out", folder / "copy"),
            after=after,
            archive=folder / "archive" if after == "archive" else None,
        )
        drop = studio.drop("Lantern", seconds=0.02)
        expected = digests(drop)
        is_done = run_and_die(studio, step)
        studio.require_only_whole_packages()
        assert expected in originals(studio, "Lantern")
        assert studio.run() == 0
        for out in (studio.out, folder / "copy"):
            require_delivered_once(studio, out, "Lantern")
        studio.require_only_whole_packages()
        assert digests(folder / "copy/Lantern_mastering_01") == digests(
            studio.out / "Lantern_mastering_01"
        )
        kept = folder / ("archive" if after == "archive" else "in") / "Lantern"
        assert digests(kept) == expected
        assert originals(studio, "Lantern") == [expected]
        assert studio.states() == {"Lantern": "delivered"}
        if is_done:
            return step
        step += every


@pytest.mark.parametrize(
    "part", [0, *(pytest.param(part, marks=pytest.mark.no_cover) for part in range(1, PARTS))]
)
def test_killed_before_every_step(tmp_path: Path, part: int) -> None:
    """Two destinations, and an archive on another disk: all that the service ever does."""
    with archive_on_another_disk():
        steps = killed_before_steps(tmp_path, part, PARTS, after="archive")
    assert steps > 80  # it really died that often


def test_random_kills(tmp_path: Path) -> None:
    studio = Studio.built(tmp_path)
    names = [f"Reel {number}" for number in range(4)]
    expected = {name: digests(studio.drop(name, seconds=0.02)) for name in names}
    generator = random.Random(7)
    kills = 0
    while kills < RANDOM_KILLS:
        is_done = run_and_kill(studio, generator.uniform(0.02, 0.4))
        kills += not is_done
        studio.require_only_whole_packages()
        assert {name: digests(studio.inbox / name) for name in names} == expected
        if is_done:  # go on with drops that are new
            name = f"Reel {len(names)}"
            expected[name] = digests(studio.drop(name, seconds=0.02, seed=len(names)))
            names.append(name)
    assert studio.run() == 0
    assert studio.states() == dict.fromkeys(names, "delivered")
    assert studio.packages() == sorted(f"{name.replace(' ', '-')}_mastering_01" for name in names)
    assert len(studio.jobs()) == len(names)
    assert not studio.staging()
