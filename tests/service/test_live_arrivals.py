"""Copies as they happen: other threads write while the inbox is watched, with a real clock.

The ways to copy are those that are publicly reported to defeat a single size check: growing files,
files made full size first, pauses, thousands of names at once. Common practice, no source.
"""

from __future__ import annotations

import mmap
import os
import shutil
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from stemprep.model.service import Inbox
from stemprep.service.inbox.arrivals import Arrivals, Drop
from stemprep.service.inbox.events import Hints

SETTLE_S = 0.4
STEPS = 10
STEP_S = 0.04
CONTENT = bytes(range(1, 251)) * 1600  # 400 kB without a zero
OLD = (10**18, 10**18)


def watched(
    inbox: Path, copy: Callable[[], None], drops: int, *, is_polled: bool = False
) -> list[Drop]:
    """Watch while ``copy`` runs in a thread, until so many drops have come; some time longer."""
    box = Inbox(path=inbox, specs=("base",), deliver_to=(inbox / "out",), settle_s=SETTLE_S,
                is_polled=is_polled)  # fmt: skip
    arrivals, hints = Arrivals([box]), Hints([box])
    found: list[Drop] = []
    copying = threading.Thread(target=copy)
    hints.start()
    try:
        copying.start()
        end_s = time.monotonic() + 60
        while time.monotonic() < end_s:
            found += arrivals.scan(time.monotonic(), hints.wait(0.05)).ready
            if len(found) >= drops and not copying.is_alive():
                end_s = min(end_s, time.monotonic() + 1.5 * SETTLE_S)
    finally:
        copying.join()
        hints.close()
    return found


def slow(take: Path) -> None:
    """Grow in steps."""
    for step in range(STEPS):
        with take.open("ab") as stream:
            stream.write(CONTENT[step * 40_000 : (step + 1) * 40_000])
        time.sleep(STEP_S)


def made_full_size_first(take: Path) -> None:
    """Allocate, then fill through one descriptor, setting an old time after every write."""
    with take.open("wb") as stream:
        os.posix_fallocate(stream.fileno(), 0, len(CONTENT))
        for step in range(STEPS):
            os.pwrite(stream.fileno(), CONTENT[step * 40_000 : (step + 1) * 40_000], step * 40_000)
            os.utime(take, ns=OLD)
            time.sleep(STEP_S)
    os.utime(take, ns=OLD)


def filled_through_memory(take: Path) -> None:
    """Allocate, close, then fill a shared mapping whose descriptor is closed too."""
    take.write_bytes(bytes(len(CONTENT)))
    with take.open("r+b") as stream:
        view = mmap.mmap(stream.fileno(), len(CONTENT))
    os.utime(take, ns=OLD)
    for step in range(STEPS):
        view[step * 40_000 : (step + 1) * 40_000] = CONTENT[step * 40_000 : (step + 1) * 40_000]
        time.sleep(STEP_S)
    view.close()
    os.utime(take, ns=OLD)


def with_pauses(take: Path) -> None:
    """Keep still in the middle, with the file closed, for less than the settle time."""
    take.write_bytes(CONTENT[:200_000])
    time.sleep(0.7 * SETTLE_S)
    with take.open("ab") as stream:
        stream.write(CONTENT[200_000:])


def paused_while_open(take: Path) -> None:
    """Keep still for three settle times, with the file open."""
    with take.open("wb", buffering=0) as stream:
        stream.write(CONTENT[:200_000])
        time.sleep(3 * SETTLE_S)
        stream.write(CONTENT[200_000:])


def under_another_name(take: Path) -> None:
    """Write a hidden file, then rename it."""
    hidden = take.with_name(f".{take.name}.x7Qz2a")
    slow(hidden)
    hidden.rename(take)


@pytest.mark.parametrize(
    "copy",
    [slow, made_full_size_first, filled_through_memory, with_pauses, paused_while_open,
     under_another_name],
)  # fmt: skip
@pytest.mark.parametrize("is_in_folder", [False, True])
def test_a_copy_is_given_out_once_and_whole(
    tmp_path: Path, copy: Callable[[Path], None], is_in_folder: bool
) -> None:
    if is_in_folder:
        (tmp_path / "Song").mkdir()
    take = tmp_path / "Song" / "take.wav" if is_in_folder else tmp_path / "take.wav"
    (drop,) = watched(tmp_path, lambda: copy(take), drops=1)
    assert take.read_bytes() == CONTENT
    assert (drop.files, drop.size_bytes) == (1, len(CONTENT))


@pytest.mark.parametrize("is_polled", [False, True])
def test_hundreds_of_files_at_once(tmp_path: Path, is_polled: bool) -> None:
    def copy() -> None:
        for number in range(500):
            (tmp_path / f"{number}.wav").write_bytes(b"x")

    found = watched(tmp_path, copy, drops=500, is_polled=is_polled)
    assert Counter(drop.name for drop in found) == {f"{number}.wav": 1 for number in range(500)}


def test_half_moved_half_copied_folders(tmp_path: Path) -> None:
    """200 drops of three files as fast as the disk allows; none is given out before it is whole."""
    outside, inbox = tmp_path / "outside", tmp_path / "in"
    inbox.mkdir()
    for number in range(200):
        (outside / str(number) / "Audio").mkdir(parents=True)
        for name in ("Kick", "Snare", "Bass"):
            (outside / str(number) / "Audio" / f"{name}.wav").write_bytes(b"x" * 500)

    def copy() -> None:
        for number in range(200):
            if number % 2:
                (outside / str(number)).rename(inbox / str(number))
            else:
                shutil.copytree(outside / str(number), inbox / str(number))

    found = watched(inbox, copy, drops=200)
    assert Counter(drop.name for drop in found) == {str(number): 1 for number in range(200)}
    assert {drop.files for drop in found} == {3}
