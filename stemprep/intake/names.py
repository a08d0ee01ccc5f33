"""Names as the file system has them, and as people read and compare them."""

from __future__ import annotations

from stemprep.model.strict_json import clean_text
from stemprep.naming import file_name, split_extension


def display_path(raw: bytes) -> str:
    r"""Show a raw path as text: UTF-8 where it is UTF-8, every other byte as ``\xNN``."""
    return clean_text(raw.decode("utf-8", "surrogateescape"))


def folders_of(path: str) -> tuple[str, ...]:
    """Return the folders a path leads through, outermost first."""
    return tuple(path.split("/")[:-1])


def extension(path: str) -> str:
    """Return the extension in lower case without its dot, or ""."""
    return split_extension(file_name(path))[1].removeprefix(".").lower()


def stem(path: str) -> str:
    """Return the file name without its extension."""
    return split_extension(file_name(path))[0]
