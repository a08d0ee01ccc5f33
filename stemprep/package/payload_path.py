"""Paths inside a package: what is allowed, how they are written in manifests, their order."""

from __future__ import annotations

import re

from stemprep.errors import DeliveryError

PAYLOAD = "data"

_ENCODED = re.compile("%(0[AaDd]|25)")
_DECODED = {"0A": "\n", "0D": "\r", "25": "%"}


def path_problem(path: str) -> str | None:
    """Tell in words why a path must not be used inside a package; None for a good one."""
    if not path or "\0" in path:
        return "is empty or holds a zero byte"
    if path.startswith(("/", "~")) or re.match("[A-Za-z]:[/\\\\]", path):
        return "is absolute"
    if any(part in ("", ".", "..") for part in path.split("/")):
        return "leaves its folder or has an empty part"
    return None


def without_dot(path: str) -> str:
    """The same path without ``./`` in front, as common tools and older bags write it."""
    while path.startswith("./"):
        path = path[2:]
    return path


def checked_payload_path(path: str) -> str:
    """Return a path relative to the payload unchanged, or raise DeliveryError.

    Refused: ``..``, absolute paths, empty parts, zero bytes and bytes that are not UTF-8. A name
    that begins like a home folder or a drive is only a name below the payload.
    """
    problem = path_problem(f"{PAYLOAD}/{path}")
    try:
        path.encode("utf-8")
    except UnicodeEncodeError:
        problem = "has bytes that are not UTF-8"
    if problem is not None:
        raise DeliveryError(f"{path!r}: {problem}; a file of a package needs another name")
    return path


def encode_path(path: str) -> str:
    """Write a path for a manifest line: only LF, CR and % are encoded (RFC 8493, 2.1.3)."""
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def decode_path(text: str) -> str:
    """Read a path from a manifest line; any other percent sign stands for itself."""
    return _ENCODED.sub(lambda match: _DECODED[match[1].upper()], text)


def sort_key(path: str) -> bytes:
    """Order paths by their raw bytes, whatever the locale."""
    return path.encode("utf-8", "surrogateescape")
