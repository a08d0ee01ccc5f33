"""Two digits in front of each track's name, so that every room sees the tracks in one order."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.model.words import Role
from stemprep.naming import split_extension

NUMBERED_ROLES: frozenset[Role] = frozenset(
    {"track", "di", "stem", "effect-return", "guide", "click", "talkback", "unknown"}
)
"""What is imported track by track; mixes and references have no place in that order."""
OWN_NUMBER = re.compile(r"\d{2,3}(?=[ _.-]+\D)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """One file to be put in order.

    entry: place among the entries of the session sheet; None where no entry speaks of it.
    """

    path: str
    song: str
    role: Role
    entry: int | None = None


def with_numbers(files: Sequence[Numbered]) -> list[str]:
    """Paths with an order number before the name, counted over the folders of a song.

    A number of the file's own stays; the others are counted on from the highest of these, in the
    order of the sheet's entries, then in the given order.
    """
    due: dict[str, list[int]] = {}
    highest: Counter[str] = Counter()
    for index, file in enumerate(files):
        if file.role not in NUMBERED_ROLES:
            continue
        own = OWN_NUMBER.match(_name(file.path))
        if own is None:
            due.setdefault(file.song, []).append(index)
        else:
            highest[file.song] = max(highest[file.song], int(own[0]))
    paths = [file.path for file in files]
    for song, indices in due.items():
        ordered = sorted(indices, key=lambda index: (_entry(files[index], len(files)), index))
        for number, index in enumerate(ordered, start=highest[song] + 1):
            folder, slash, name = paths[index].rpartition("/")
            paths[index] = f"{folder}{slash}{number:02d}_{name}"
    return paths


def track_name(file: str, name: str) -> str:
    """A file's name by what its track is called; an order number of the file's own stays."""
    own = OWN_NUMBER.match(file)
    number = f"{own[0]}_" if own is not None and not OWN_NUMBER.match(name) else ""
    return f"{number}{name}{split_extension(file)[1]}"


def _name(path: str) -> str:
    return split_extension(path.rpartition("/")[2])[0]


def _entry(file: Numbered, without: int) -> int:
    return without if file.entry is None else file.entry
