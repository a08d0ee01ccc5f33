from __future__ import annotations

import os
import socket
import zipfile
from pathlib import Path

import pytest

from stemprep.errors import InputError
from stemprep.intake import open_regular, scan_drop
from stemprep.intake.opening import open_folder
from tests.intake.drops import SOUND, tree


def test_a_regular_file_is_opened_from_its_start(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["a/b/c.wav"])
    with open_regular(str(drop), b"a/b/c.wav") as stream:
        assert stream.read() == SOUND
        assert not os.get_inheritable(stream.fileno())


@pytest.mark.parametrize(
    "raw_path", [b"", b"/a.wav", b"../a.wav", b"sub/../../a.wav", b"./a.wav", b"a//b", b"a\0.wav"]
)
def test_paths_that_are_not_inside_are_refused(tmp_path: Path, raw_path: bytes) -> None:
    (tmp_path / "a.wav").write_bytes(SOUND)
    drop = tree(tmp_path / "drop", ["a.wav", "sub/b.wav"])
    with pytest.raises(InputError, match="not a path inside the drop"):
        open_regular(str(drop), raw_path)


def test_links_are_refused_at_the_end_and_on_the_way(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["real/a.wav"])
    (drop / "link.wav").symlink_to("real/a.wav")
    (drop / "way").symlink_to("real")
    for raw_path in (b"link.wav", b"way/a.wav"):
        with pytest.raises(InputError, match="link"):
            open_regular(str(drop), raw_path)


def test_a_pipe_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(InputError, match="a named pipe, not a file"):
        open_regular(str(tmp_path), b"pipe.wav")


def test_a_socket_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # a socket's path has to be short
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("s.wav")
        with pytest.raises(InputError, match="socket"):
            open_regular(str(tmp_path), b"s.wav")


def test_a_folder_and_a_missing_file_are_refused(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["sub.wav/a.wav"])
    with pytest.raises(InputError, match="a folder, not a file"):
        open_regular(str(drop), b"sub.wav")
    with pytest.raises(InputError, match="no longer there"):
        open_regular(str(drop), b"gone.wav")


def test_no_descriptor_is_left_open(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["a/b/c.wav"])
    os.mkfifo(drop / "a" / "pipe")
    before = len(list(Path("/proc/self/fd").iterdir()))
    for raw_path in (b"a/b", b"a/pipe", b"a/gone", b"a/b/c.wav/d"):
        with pytest.raises(InputError):
            open_regular(str(drop), raw_path)
    open_regular(str(drop), b"a/b/c.wav").close()
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_a_drop_exchanged_for_a_link_leads_nowhere(tmp_path: Path) -> None:
    """Its path was free of links when it was listed; others may change that."""
    drop = tree(tmp_path / "drop", ["a.wav"])
    outside = tree(tmp_path / "outside", ["a.wav"])
    drop.rename(tmp_path / "away")
    drop.symlink_to(outside)
    with pytest.raises(InputError, match="link"):
        open_regular(str(drop), b"a.wav")
    with (
        pytest.raises(OSError, match=r"[Nn]ot a directory|symbolic links"),
        open_folder(str(drop), b""),
    ):
        pass


@pytest.mark.parametrize("name", ["folder", "file.wav", "zipped.zip"])
def test_a_drop_that_is_a_link_is_followed_only_where_that_is_wanted(
    tmp_path: Path, name: str
) -> None:
    tree(tmp_path / "outside", ["folder/a.wav", "file.wav"])
    with zipfile.ZipFile(tmp_path / "outside/zipped.zip", "w") as archive:
        archive.writestr("a.wav", SOUND)
    (tmp_path / name).symlink_to(tmp_path / "outside" / name)
    for number in range(2):
        (tmp_path / f"workspace{number}").mkdir()
    assert scan_drop(tmp_path / name, tmp_path / "workspace0").entries
    with pytest.raises(InputError, match="neither a folder nor a file"):
        scan_drop(tmp_path / name, tmp_path / "workspace1", is_link_followed=False)
    assert not list((tmp_path / "workspace1").iterdir())
