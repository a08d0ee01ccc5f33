from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from stemprep.errors import InputError
from stemprep.intake import open_regular
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
