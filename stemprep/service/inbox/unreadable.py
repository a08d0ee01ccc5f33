"""What is said of a drop that the service cannot read: what was found, what to do about it.

The words name no place, so that a log may hold them; where people look, the place stands before.
"""

from __future__ import annotations

import errno
import grp
import os
import pwd
import stat
from functools import lru_cache
from pathlib import Path

from stemprep.intake import display_path
from stemprep.service.inbox.tree_snapshot import unread_places

_RIGHTS = frozenset({errno.EACCES, errno.EPERM})
_FOUND = "cannot be read ("
_MARK = f": {_FOUND}"


class ClosedError(Exception):
    """A drop that was whole cannot be read any more; ``reason``: ``closed_words`` of it."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def closed_words(place: Path, error: OSError) -> str:
    """Say what keeps the service from reading ``place``; its name is not told."""
    found = os.strerror(error.errno) if error.errno else str(error)
    if error.errno not in _RIGHTS:
        return (
            f"{_FOUND}{found}); all that lies in it must be readable; check the disk or share "
            "that it lies on; once it can be read it is taken by itself"
        )
    try:
        status = os.lstat(place)
    except OSError:
        whose, right = "", "chmod -R g+rX"
    else:
        owner, group = _account(status.st_uid), _group(status.st_gid)
        whose = f"; {stat.filemode(status.st_mode)}, owner {owner}, group {group}"
        right = _right_to_give(status)
    return (
        f"{_FOUND}{found}{whose}); the service runs as {_account(os.geteuid())} and must be able "
        "to read every file of a drop and to enter every folder; give it that right, for example "
        f"with {right} on the drop; it is then taken by itself"
    )


def _right_to_give(status: os.stat_result) -> str:
    """The narrowest change that helps: never the right for everybody, the work is unreleased."""
    if status.st_uid == os.geteuid():
        return "chmod -R u+rX"
    if status.st_gid in (os.getegid(), *os.getgroups()):
        return "chmod -R g+rX"
    return f"chgrp -R {_group(os.getegid())} and chmod -R g+rX"


def placed(place: Path, words: str) -> str:
    """Put the place before the words, as lists of jobs have it."""
    return f"{display_path(os.fsencode(place))}: {words}"


def words_without_place(reason: str) -> str:
    """Take the place off a job's reason; "" where it does not tell of what cannot be read."""
    _, mark, rest = reason.rpartition(_MARK)
    return f"{_FOUND}{rest}" if mark else ""


def unread_in(drop: Path) -> str:
    """Say what in a drop the service may not read, with its place; "" where it may read all.

    Raises OSError where the drop itself cannot be looked into.
    """
    places = unread_places(drop)
    if not places:
        return ""
    path, code = places[0]
    place = drop / os.fsdecode(path) if path else drop
    text = placed(place, closed_words(place, OSError(code, os.strerror(code))))
    more = len(places) - 1
    return f"{text} (and {more:,} more like it)" if more else text


@lru_cache(maxsize=256)
def _account(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)


@lru_cache(maxsize=256)
def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)
