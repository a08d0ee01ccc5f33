from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from stemprep.descending import FILE, descend


@pytest.fixture
def top(tmp_path: Path) -> Iterator[int]:
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "a" / "b" / "kick.wav").write_bytes(b"sound")
    (tmp_path / "link").symlink_to("a")
    descriptor = os.open(tmp_path, os.O_RDONLY)
    yield descriptor
    os.close(descriptor)


def _open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))  # noqa: PTH208 - no Path is opened on the way


def test_each_part_is_opened_from_the_one_before(top: int) -> None:
    folder = descend(top, ["a", b"b"])
    assert os.listdir(folder) == ["kick.wav"]  # noqa: PTH208 - by descriptor
    with os.fdopen(os.open("kick.wav", FILE, dir_fd=folder), "rb") as stream:
        assert stream.read() == b"sound"
    os.close(folder)


def test_no_part_gives_the_folder_itself_to_be_closed_apart(top: int) -> None:
    folder = descend(top, [])
    assert os.path.sameopenfile(folder, top)
    assert not os.get_inheritable(folder)
    os.close(folder)
    assert "a" in os.listdir(top)


@pytest.mark.parametrize("way", [["link"], ["link", "b"], ["a", "gone"], ["a", "b", "kick.wav"]])
def test_a_link_or_no_folder_ends_it_and_leaves_nothing_open(top: int, way: list[str]) -> None:
    before = _open_descriptors()
    with pytest.raises(OSError, match=r"symbolic link|Not a directory|No such file"):
        descend(top, way)
    assert _open_descriptors() == before
