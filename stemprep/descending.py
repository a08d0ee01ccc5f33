"""Going down a tree by descriptors, part by part, so that no link is ever followed."""

from __future__ import annotations

import os
from collections.abc import Iterable

FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
"""Opens whatever is no link without waiting for it; only its mode tells whether it is a file."""


def descend(folder: int, parts: Iterable[str | bytes], flags: int = FOLDER) -> int:
    """Open the folder at the end of ``parts``, each from the descriptor of the one before it.

    A folder that is exchanged for a link on the way leads nowhere. ``folder`` stays open, and what
    is returned is the caller's to close, also where ``parts`` is empty. Raises OSError.
    """
    current = os.dup(folder)
    try:
        for part in parts:
            below = os.open(part, flags, dir_fd=current)
            os.close(current)
            current = below
    except BaseException:
        os.close(current)
        raise
    return current
