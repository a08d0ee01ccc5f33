"""Two outputs never share a name, on any disk: letter case and Unicode form do not part them."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Sequence

from stemprep.naming.portable import (
    MAX_COMPONENT_BYTES,
    MAX_PATH_CHARACTERS,
    cut_name,
    split_extension,
)


def collision_key(path: str, *, is_extension_ignored: bool = False) -> str:
    """Return what a path becomes on a disk that knows neither letter case nor Unicode form.

    is_extension_ignored: Lead.wav and Lead.aif share a key, as they would meet in one container.
    """
    folder, slash, name = path.rpartition("/")
    kept = split_extension(name)[0] if is_extension_ignored else name
    return folded(f"{folder}{slash}{kept}")


def folded(text: str) -> str:
    """Make a name ready for comparing: composed, without regard to case."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def distinct_paths(wanted: Sequence[str], *, is_extension_ignored: bool = False) -> tuple[str, ...]:
    """Return the wanted paths in the same order, no two of them equal on any disk.

    The first to want a name keeps it; a later one gets ``_2``, ``_3``, ... before its extension,
    never a name that another one wants. A file that is named like a folder gives way.
    """

    def key(path: str) -> str:
        return collision_key(path, is_extension_ignored=is_extension_ignored)

    reserved = {key(path) for path in wanted}
    taken = {collision_key(folder) for path in wanted for folder in _folders(path)}
    given: list[str] = []
    next_numbers: dict[str, int] = {}
    unfree = reserved | taken
    for path in wanted:
        name = path if key(path) not in taken else _numbered(path, unfree, key, next_numbers)
        taken.add(key(name))
        unfree.add(key(name))
        given.append(name)
    return tuple(given)


def _folders(path: str) -> list[str]:
    parts = path.split("/")[:-1]
    return ["/".join(parts[: n + 1]) for n in range(len(parts))]


def _numbered(
    path: str, unfree: set[str], key: Callable[[str], str], next_numbers: dict[str, int]
) -> str:
    """The path with the lowest free number; next_numbers: where to go on, by key."""
    folder, slash, name = path.rpartition("/")
    stem, extension = split_extension(name)
    room = max(_room(folder, slash), len(extension) + 12)
    number = next_numbers.get(key(path), 2)
    while True:
        tail = f"_{number}{extension}"
        candidate = (
            folder
            + slash
            + cut_name(stem, tail, max_bytes=MAX_COMPONENT_BYTES, max_characters=room)
        )
        number += 1
        if key(candidate) not in unfree:
            next_numbers[key(path)] = number
            return candidate


def _room(folder: str, slash: str) -> int:
    return MAX_PATH_CHARACTERS - len(folder) - len(slash)
