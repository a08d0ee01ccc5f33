from __future__ import annotations

import os
import shutil
import socket
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stemprep.errors import InputError
from stemprep.intake import display_path, open_regular, scan_drop
from stemprep.intake import folder as folder_module
from stemprep.model.strict_json import clean_text
from tests.intake.drops import SOUND, by_path, kinds, scan, tree, without_rights


def test_everything_is_listed_in_raw_byte_order(tmp_path: Path) -> None:
    paths = ["b.wav", "B.wav", "a/z.wav", "a.wav", "ä.wav", "notes.txt", ".hidden"]
    found = scan(tree(tmp_path / "drop", paths))
    assert [entry.raw_path for entry in found.entries] == sorted(os.fsencode(p) for p in paths)
    assert found.name == "drop"
    assert found.archive is None
    assert found.root == str((tmp_path / "drop").resolve())


def test_size_and_reason_are_told(tmp_path: Path) -> None:
    entry = by_path(scan(tree(tmp_path / "drop", ["Kick.wav"])))["Kick.wav"]
    assert entry.size_bytes == len(SOUND)
    assert entry.reason == "audio by its extension .wav"


def test_links_are_told_by_where_they_lead_and_not_followed(tmp_path: Path) -> None:
    (tmp_path / "outside.wav").write_bytes(SOUND)
    drop = tree(tmp_path / "drop", ["real.wav", "sub/in.wav"])
    for name, target in {
        "inside.wav": "real.wav",
        "outside.wav": "../outside.wav",
        "absolute.wav": str(tmp_path / "outside.wav"),
        "dangling.wav": "gone.wav",
        "self.wav": "self.wav",
        "loop": ".",
        "sub/up": "..",
        "folder": "sub",
        "far": "/",
        "via": "far/etc/hostname",
    }.items():
        (drop / name).symlink_to(target)
    found = by_path(scan(drop))
    assert {path: entry.hazard for path, entry in found.items() if entry.kind == "unsafe"} == {
        "inside.wav": "inside-link",
        "outside.wav": "outside",
        "absolute.wav": "outside",
        "dangling.wav": "dangling",
        "self.wav": "loop",
        "loop": "loop",
        "sub/up": "loop",
        "folder": "inside-link",
        "far": "outside",
        "via": "outside",
    }
    assert "real.wav itself is taken" in found["inside.wav"].reason
    assert [path for path, entry in found.items() if entry.kind == "audio"] == [
        "real.wav",
        "sub/in.wav",
    ]


def test_a_link_into_a_folder_with_the_same_beginning_leads_out(tmp_path: Path) -> None:
    tree(tmp_path / "drop2", ["a.wav"])
    drop = tree(tmp_path / "drop", [])
    (drop / "a.wav").symlink_to("../drop2/a.wav")
    assert by_path(scan(drop))["a.wav"].hazard == "outside"


def test_hard_links_are_plain_files(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["real.wav"])
    os.link(drop / "real.wav", drop / "twin.wav")
    assert kinds(scan(drop)) == {"real.wav": "audio", "twin.wav": "audio"}


def test_pipes_and_sockets_are_listed_and_never_opened(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["a.wav"])
    os.mkfifo(drop / "pipe.wav")
    os.mkfifo(drop / "pipe")
    place = Path(tempfile.mkdtemp(prefix="s"))  # a socket's path has to be short
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(place / "s"))
        (place / "s").rename(drop / "socket.wav")
        found = by_path(scan(drop))
    shutil.rmtree(place)
    assert {path: (entry.hazard, entry.reason) for path, entry in found.items()} == {
        "a.wav": ("", "audio by its extension .wav"),
        "pipe": ("special", "a named pipe, not a file; never opened"),
        "pipe.wav": ("special", "a named pipe, not a file; never opened"),
        "socket.wav": ("special", "a socket, not a file; never opened"),
    }


def test_names_of_any_bytes(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", [])
    for name in (b"line\nbreak.wav", b"Bl\xe4ser.wav", b"\x1b[31mred.wav", b"tab\there.wav"):
        Path(os.fsdecode(os.fsencode(drop) + b"/" + name)).write_bytes(SOUND)
    found = scan(drop)
    assert [entry.path for entry in found.entries] == [
        "\x1b[31mred.wav",
        "Bl\\xE4ser.wav",
        "line\nbreak.wav",
        "tab\there.wav",
    ]
    assert {entry.kind for entry in found.entries} == {"audio"}


def test_a_name_that_spells_a_byte_is_told_from_one_that_holds_it(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", [])
    for name in (b"\xff.wav", b"\\xFF.wav", b"\\x5CxFF.wav"):
        Path(os.fsdecode(os.fsencode(drop) + b"/" + name)).write_bytes(SOUND)
    found = scan(drop)
    assert len({entry.path for entry in found.entries}) == 3
    assert {entry.raw_path: entry.path for entry in found.entries}[b"\xff.wav"] == "\\xFF.wav"


_names = st.binary(min_size=1, max_size=40).filter(
    lambda name: b"/" not in name and b"\0" not in name and name not in (b".", b"..")
)


@given(names=st.sets(_names, max_size=8))
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_no_name_is_lost_or_confused(names: set[bytes]) -> None:
    with tempfile.TemporaryDirectory() as place:
        for name in names:
            Path(os.fsdecode(os.fsencode(place) + b"/" + name)).write_bytes(SOUND)
        found = folder_scan(place)
        assert [entry.raw_path for entry in found] == sorted(names)
        assert len({entry.path for entry in found}) == len(names)
        for entry in found:
            entry.path.encode("utf-8")
            with open_regular(place, entry.raw_path) as stream:
                assert stream.read() == SOUND


def folder_scan(place: str) -> tuple:  # type: ignore[type-arg]
    return scan(Path(place), Path(place)).entries


@pytest.fixture
def open_place() -> Iterator[Path]:
    """Give a folder that every account may enter."""
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        yield Path(place)


def test_unreadable_folders_and_files_are_listed_with_the_reason(open_place: Path) -> None:
    drop = tree(open_place / "drop", ["a.wav", "locked/b.wav", ".Trashes/x", "locked.txt"])
    for name in ("locked", ".Trashes", "locked.txt"):
        (drop / name).chmod(0)
    try:
        with without_rights():
            found = by_path(scan(drop, open_place))
    finally:
        for name in ("locked", ".Trashes"):
            (drop / name).chmod(0o700)
    assert {path: (entry.kind, entry.hazard) for path, entry in found.items()} == {
        "a.wav": ("audio", ""),
        "locked": ("unsafe", "unlistable"),
        "locked.txt": ("unsafe", "unlistable"),
        ".Trashes": ("clutter", ""),
    }
    assert "Permission denied" in found["locked"].reason


def test_an_unlistable_drop_says_what_to_do(open_place: Path) -> None:
    drop = tree(open_place / "drop", ["a.wav"])
    drop.chmod(0)
    try:
        with without_rights(), pytest.raises(InputError, match="give read permission"):
            scan(drop, open_place)
    finally:
        drop.chmod(0o700)


def test_a_missing_drop(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"No such file.*name a folder of audio or a zip"):
        scan(tmp_path / "gone")


@pytest.mark.parametrize(("name", "kind"), [("notes.txt", "document"), ("Kick.wav", "audio")])
def test_a_bare_file_is_a_list_of_one(tmp_path: Path, name: str, kind: str) -> None:
    (tmp_path / name).write_bytes(SOUND)
    (tmp_path / "Snare.wav").write_bytes(SOUND)
    found = scan_drop(tmp_path / name, None)
    assert [(entry.path, entry.kind) for entry in found.entries] == [(name, kind)]
    assert (found.name, found.root, found.archive) == (name[:-4], str(tmp_path), None)


def test_a_pipe_as_the_drop_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.zip")
    with pytest.raises(InputError, match="neither a folder nor a file"):
        scan(tmp_path / "pipe.zip")


def test_an_empty_drop_has_no_entries(tmp_path: Path) -> None:
    assert scan(tree(tmp_path / "drop", [])).entries == ()


def test_too_deep_is_told_and_not_entered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folder_module, "MAX_DEPTH", 3)
    found = by_path(scan(tree(tmp_path / "drop", ["1/2/3/a.wav", "1/2/3/4/b.wav"])))
    assert found["1/2/3/a.wav"].kind == "audio"
    assert found["1/2/3/4"].hazard == "unlistable"
    assert "more than 3 folders deep" in found["1/2/3/4"].reason


def test_too_many_entries_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folder_module, "MAX_ENTRIES", 5)
    drop = tree(tmp_path / "drop", [f"{n}.wav" for n in range(5)])
    assert len(scan(drop).entries) == 5
    (drop / "6.wav").write_bytes(SOUND)
    with pytest.raises(InputError, match="more than 5 entries"):
        scan(drop)


def test_nothing_is_written_into_the_drop(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["a.wav", "session.yaml"])
    before = {path: path.stat().st_mtime_ns for path in [drop, *drop.rglob("*")]}
    scan(drop)
    assert {path: path.stat().st_mtime_ns for path in [drop, *drop.rglob("*")]} == before


def test_a_long_chain_of_links_is_not_climbed(tmp_path: Path) -> None:
    """Every link after the first 40 is told as one that has no end, whatever their number."""
    drop = tree(tmp_path / "Song", ["a.wav"])
    previous = "a.wav"
    for number in range(2_000):
        (drop / f"{number:04d}").symlink_to(previous)
        previous = f"{number:04d}"
    found = scan(drop)
    hazards = [entry.hazard for entry in found.entries if entry.kind == "unsafe"]
    assert (hazards[0], hazards[-1], len(hazards)) == ("inside-link", "loop", 2_000)
    assert kinds(found)["a.wav"] == "audio"


def test_a_maze_of_links_is_left_alone(tmp_path: Path) -> None:
    """Each link leads twice through the one before: 2**60 steps for whoever walks it."""
    drop = tree(tmp_path / "Song", ["a.wav"])
    (drop / "maze00").symlink_to(".")
    for number in range(1, 60):
        before = f"maze{number - 1:02d}"
        (drop / f"maze{number:02d}").symlink_to(f"{before}/{before}")
    assert by_path(scan(drop))["maze59"].hazard == "loop"


def test_a_byte_that_is_no_text_is_written_the_same_way_everywhere() -> None:
    """What a report does to such a name changes nothing of what intake has written."""
    raw = b"Bl\xe4ser \xff.wav"
    assert display_path(raw) == r"Bl\xE4ser \xFF.wav" == clean_text(os.fsdecode(raw))
