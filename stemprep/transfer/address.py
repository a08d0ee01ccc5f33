"""Where a package goes or lies beyond this machine's disks, as people write it.

``s3://bucket/folder`` and ``sftp://host/folder``. Whatever lets one in never stands in an address:
it comes from the environment, and what is shown of an address holds nothing of it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args
from urllib.parse import unquote, urlsplit

from stemprep.errors import UsageError

Kind = Literal["s3", "sftp"]
KINDS: tuple[Kind, ...] = get_args(Kind)

_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*):/{1,2}")
_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9._-]{0,250}[A-Za-z0-9])?|\[[0-9A-Fa-f:.]{2,45}\]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """A place in a store.

    host: the bucket of s3, the host of sftp.  port: None for the usual one.
    path: ``/`` between parts; below the bucket without a leading ``/``, on a host absolute.
    """

    kind: Kind
    host: str
    path: str
    port: int | None = None

    @property
    def shown(self) -> str:
        """The address as it may be printed and written down."""
        port = f":{self.port}" if self.port else ""
        slash = "" if self.path.startswith("/") or not self.path else "/"
        return f"{self.kind}://{self.host}{port}{slash}{self.path}"

    @property
    def name(self) -> str:
        """The last part of the path; "" for a whole bucket or host."""
        return self.path.rstrip("/").rpartition("/")[2]

    def below(self, name: str) -> Address:
        """The address of something in this place."""
        folder = self.path.rstrip("/")
        is_top = not folder and self.kind == "s3"
        path = name if is_top else f"{folder}/{name}"
        return Address(kind=self.kind, host=self.host, port=self.port, path=path)


def parse_place(text: str) -> Path | Address:
    """A folder of this machine, or an address; UsageError for one that cannot be used.

    The message never repeats what stands before the host or after a ``?``.
    """
    scheme = _SCHEME.match(text)
    if scheme is None or len(scheme[1]) == 1:  # a drive letter
        return Path(text)
    kind = scheme[1].lower()
    if kind == "file":
        return Path(unquote(urlsplit(text).path))
    for known in KINDS:
        if kind == known:
            return _address(known, text)
    raise UsageError(
        f"{kind}://...: no kind of place that is known; give a folder, s3://bucket/folder or "
        "sftp://host/folder"
    )


def _address(kind: Kind, text: str) -> Address:
    parts = urlsplit(text)
    if "@" in parts.netloc:
        raise UsageError(
            f"{kind}://{_host_of(parts.netloc)}: a name or password stands in the address; leave "
            "it out there and give it in the environment (see README.md, destinations)"
        )
    if parts.query or parts.fragment:
        raise UsageError(
            f"{kind}://{_host_of(parts.netloc)}: an address has no part after '?' or '#'; leave "
            "it out, and give keys in the environment"
        )
    try:
        host, port = parts.hostname or "", parts.port
    except ValueError:
        host, port = "", None
    if not _HOST.fullmatch(parts.netloc.rpartition(":")[0] or parts.netloc) or not host:
        raise UsageError(f"{kind}://...: names no {_what(kind)}; write {_example(kind)}")
    if kind == "s3" and port is not None:
        raise UsageError(
            f"s3://{host}: a bucket has no port; name the service's address in the environment "
            "as AWS_ENDPOINT_URL_S3"
        )
    path = parts.path  # as it stands: a percent sign is one
    if any(part in (".", "..") for part in path.split("/")) or "//" in path or "\0" in path:
        raise UsageError(f"{kind}://{host}: its path has an empty part or leads upwards")
    if kind == "s3":
        # Bucket names are case-sensitive, and urlsplit lowers the host.
        return Address(kind=kind, host=parts.netloc, path=path.strip("/"))
    if not path.strip("/"):
        raise UsageError(f"sftp://{host}: names no folder; write {_example(kind)}")
    return Address(kind=kind, host=host, port=port, path=path.rstrip("/"))


def _host_of(netloc: str) -> str:
    host = netloc.rpartition("@")[2]
    return host if _HOST.fullmatch(host.rpartition(":")[0] or host) else "..."


def _what(kind: Kind) -> str:
    return "bucket" if kind == "s3" else "host"


def _example(kind: Kind) -> str:
    return "s3://bucket/folder" if kind == "s3" else "sftp://host/folder"
