"""An inbox that somebody fills with traps: nothing outside is touched, nothing waits for ever."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from stemprep.app.output_files import write_whole
from stemprep.service import archive, runner
from stemprep.service.drop_content import inventory
from stemprep.service.places import OpenPlace, Place, Role
from stemprep.service.result_files import read_plain
from tests.service.studio import Studio, hurry


@pytest.fixture
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Studio:
    hurry(monkeypatch)
    return Studio.built(tmp_path)


def within(seconds: float, act: object, *arguments: object) -> None:
    """Call in a thread that the test does not wait for longer than told."""
    thread = threading.Thread(target=act, args=arguments, daemon=True)  # type: ignore[arg-type]
    thread.start()
    thread.join(seconds)
    assert not thread.is_alive(), "it waits for a pipe"


def test_another_name_of_somebodys_file_is_not_written_through(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("precious")
    os.link(victim, tmp_path / ".ferry.report.json")
    write_whole(tmp_path / "ferry.report.json", b"ours")
    assert victim.read_text() == "precious"
    assert (tmp_path / "ferry.report.json").read_bytes() == b"ours"
    assert not (tmp_path / ".ferry.report.json").exists()


def test_a_pipe_under_the_hidden_name_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / ".ferry.report.json")
    within(10.0, write_whole, tmp_path / "ferry.report.json", b"ours")
    assert (tmp_path / "ferry.report.json").read_bytes() == b"ours"


def test_links_pipes_and_large_files_are_not_read(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"12345")
    (tmp_path / "link").symlink_to("file")
    os.mkfifo(tmp_path / "pipe")
    assert read_plain(tmp_path / "file", 5) == b"12345"
    assert read_plain(tmp_path / "file", 4) is None
    for name in ("link", "pipe", "absent"):
        assert read_plain(tmp_path / name, 100) is None


def test_traps_around_a_drop_cost_its_report_at_most(studio: Studio) -> None:
    """A refused drop, and whatever stands where its report would go or come from."""
    outside = studio.root / "outside"
    outside.mkdir()
    (outside / "secret.wav").write_bytes(b"secret")
    for name in ("linked", "piped", "boxed"):
        folder = studio.drop(name)
        (folder / "Kick.wav").write_bytes(b"no sound")
    os.link(outside / "secret.wav", studio.inbox / ".linked.report.json")
    (studio.inbox / "linked.report.html").symlink_to(outside / "new.html")
    os.mkfifo(studio.inbox / ".piped.report.json")
    os.mkfifo(studio.inbox / "piped.report.html")
    (studio.inbox / ".boxed.report.json").mkdir()
    (studio.inbox / "boxed.report.html").mkdir()
    os.mkfifo(studio.inbox / "pipe.wav")
    (studio.inbox / "gone").symlink_to(outside)
    within(60.0, studio.run)
    told = {"boxed.report.html": "arriving"}  # an empty folder may be filled yet
    assert studio.states() == told | dict.fromkeys(("linked", "piped", "boxed"), "refused")
    assert {path.name for path in outside.iterdir()} == {"secret.wav"}
    assert (outside / "secret.wav").read_bytes() == b"secret"


@pytest.mark.parametrize("trap", ["pipe", "link", "folder", "file"])
def test_a_trap_under_the_name_of_a_leaving_drop(studio: Studio, trap: str) -> None:
    """What stands there already is nobody's drop; the delivered one stays whole where it is."""
    outside = studio.root / "outside"
    outside.mkdir()
    (outside / "Kick.wav").write_bytes(b"secret")
    place = studio.inbox / ".leaving-1"
    if trap == "pipe":
        os.mkfifo(place)
    elif trap == "link":
        place.symlink_to(outside)
    elif trap == "folder":
        place.mkdir()
        (place / "Kick.wav").symlink_to(outside / "Kick.wav")
    else:
        place.write_bytes(b"odd")
    archived = Studio.built(studio.root, after="archive", archive=studio.root / "archive")
    folder = archived.drop("ferry")
    names = sorted(path.name for path in folder.iterdir())
    within(120.0, archived.run)
    assert archived.states() == {"ferry": "delivered"}
    assert sorted(path.name for path in folder.iterdir()) == names
    assert (outside / "Kick.wav").read_bytes() == b"secret"


def opened(path: Path, role: Role) -> OpenPlace:
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY)  # open until the tests end
    return OpenPlace(place=Place(path=path, roles=(role,)), descriptor=descriptor, mount=0)


def move(studio: Studio, expected: dict[str, str]) -> archive._Move:
    return archive._Move(
        home=opened(studio.inbox, "inbox"),
        shelf=opened(studio.root / "archive", "archive"),
        drop="ferry",
        leaving=".leaving-1",
        target="ferry",
        job="job",
        expected=expected,
    )


def inventory_of(path: Path) -> dict[str, str]:
    return inventory(opened(path.parent, "inbox").descriptor, path.name)


def test_a_folder_exchanged_for_a_link_leads_no_removal_outside(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the last look at a copied drop and its removal, by whoever may write there."""
    outside, leaving = studio.root / "outside", studio.inbox / ".leaving-1"
    for folder in (outside, leaving / "takes", studio.root / "archive" / "ferry" / "takes"):
        folder.mkdir(parents=True)
        (folder / "Kick.wav").write_bytes(b"sound")
    expected = inventory_of(leaving)

    def exchanged(folder: int, name: str) -> dict[str, str]:
        found = inventory(folder, name)
        if name == leaving.name:
            (leaving / "takes").rename(studio.root / "elsewhere")
            (leaving / "takes").symlink_to(outside)
        return found

    monkeypatch.setattr(archive, "inventory", exchanged)
    with pytest.raises(OSError, match=r"[Nn]ot a directory|symbolic links"):
        move(studio, expected).carry_out()
    assert (outside / "Kick.wav").read_bytes() == b"sound"


def test_a_file_that_grew_after_it_was_copied_is_not_removed(studio: Studio) -> None:
    leaving, target = studio.inbox / ".leaving-1", studio.root / "archive" / "ferry"
    target.parent.mkdir()
    for path in (leaving, target):
        path.write_bytes(b"sound")
    expected = inventory_of(leaving)
    leaving.write_bytes(b"sound and more")
    assert "not what was delivered" in move(studio, expected).carry_out()
    assert leaving.read_bytes() == b"sound and more"


def test_a_drop_that_is_a_link_while_it_is_read_gives_nothing_away(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exchanged after the last check and put back before the next: another's work in its place."""
    drop, aside = studio.drop("ferry"), studio.root / "aside"
    other = Studio.built(studio.root / "other").drop("unreleased", seed=7)
    deliver = runner.prepared_drop

    def exchanged(*arguments: Any, **options: Any) -> Any:
        @contextmanager
        def reading() -> Iterator[Any]:
            drop.rename(aside)
            drop.symlink_to(other)
            try:
                with deliver(*arguments, **options) as prepared:
                    drop.unlink()
                    aside.rename(drop)
                    yield prepared
            finally:
                if aside.exists():
                    drop.unlink()
                    aside.rename(drop)

        return reading()

    monkeypatch.setattr(runner, "prepared_drop", exchanged)
    studio.run()
    assert studio.packages() == []
