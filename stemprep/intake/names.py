"""Names as the file system has them, and as people read and compare them."""

from __future__ import annotations

import re

from stemprep.model.strict_json import clean_text

_EXTENSION = re.compile(r"\.([A-Za-z0-9]{1,12})\Z")


def display_path(raw: bytes) -> str:
    r"""Show a raw path as text: UTF-8 where it is UTF-8, every other byte as ``\xNN``."""
    return clean_text(raw.decode("utf-8", "surrogateescape"))


def file_name(path: str) -> str:
    """Return the last part of a path."""
    return path.rpartition("/")[2]


def folders_of(path: str) -> tuple[str, ...]:
    """Return the folders a path leads through, outermost first."""
    return tuple(path.split("/")[:-1])


def extension(path: str) -> str:
    """Return the extension in lower case without its dot, or "".

    One that is only a number is none (``Mix v1.2``), and a name that is nothing but a dot and
    letters (``.wav``) has none.
    """
    name = file_name(path)
    found = _EXTENSION.search(name)
    if found is None or found.start() == 0 or found[1].isdigit():
        return ""
    return found[1].lower()


def stem(path: str) -> str:
    """Return the file name without its extension."""
    name = file_name(path)
    suffix = extension(path)
    return name[: -len(suffix) - 1] if suffix else name
