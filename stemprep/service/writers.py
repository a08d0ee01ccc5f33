"""Who still holds a file open for writing, where the system tells: proc(5) on Linux.

What other machines write on a share, and on some systems what other users' programs write, stays
unseen; keeping still is then all that tells.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from stemprep.intake import display_path

_PROC = Path("/proc")


def open_for_writing(drops: Sequence[Path]) -> dict[Path, str]:
    """Which of some drops hold a file that a program has open for writing: its name, the program.

    One round through all programs, however many drops are asked for.
    """
    by_place = {os.path.realpath(drop): drop for drop in drops}
    found: dict[Path, str] = {}
    for process in _names(_PROC):
        if not process.isdigit():
            continue
        for handle in _names(_PROC / process / "fd"):
            with suppress(OSError):  # closed, or ended, while we look
                place = os.readlink(f"/proc/{process}/fd/{handle}")  # noqa: PTH115 - in a hot loop
                drop = _drop_of(place, by_place)
                if drop is not None and drop not in found and _is_written(process, handle):
                    name = display_path(os.path.basename(os.fsencode(place)))  # noqa: PTH119
                    found[drop] = f"{name}, by {_program(process)}"
    return found


def _drop_of(place: str, by_place: dict[str, Path]) -> Path | None:
    """Find the drop that a path is or lies in."""
    while len(place) > 1:
        if place in by_place:
            return by_place[place]
        place = os.path.dirname(place)  # noqa: PTH120 - in a hot loop
    return None


def _is_written(process: str, handle: str) -> bool:
    """Read the access mode from the octal flags of fdinfo, proc(5)."""
    for line in Path(f"/proc/{process}/fdinfo/{handle}").read_text().splitlines():
        if line.startswith("flags:"):
            return int(line.split()[1], 8) & os.O_ACCMODE != os.O_RDONLY
    return False


def _names(folder: Path) -> list[str]:
    try:
        return os.listdir(folder)  # noqa: PTH208 - names alone are wanted
    except OSError:
        return []


def _program(process: str) -> str:
    try:
        return (_PROC / process / "comm").read_text(errors="replace").strip()
    except OSError:
        return "a program that has just ended"
