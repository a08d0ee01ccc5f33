"""Reading the tag files of a bag that may come from anybody; nothing here raises for content."""

from __future__ import annotations

import codecs
import hashlib
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.package.bag import DELIVERY_LABEL, SOFTWARE_AGENT
from stemprep.package.copying import Digests
from stemprep.package.descriptors import TreeEntry, opened_file, opened_folder, walk
from stemprep.package.faults import told_as_delivery_error
from stemprep.package.payload_path import PAYLOAD, decode_path, path_problem

MAX_TAG_BYTES = 128 << 20
"""All tag files of one package that are read into memory, together."""
MAX_LISTED = 1_000_000
"""Lines of one list of hashes that are kept; ours hold at most a tenth of that."""
MAX_LINE_FAULTS = 100
KNOWN_ALGORITHMS = ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")

_ENCODINGS = frozenset(("utf-8", "ascii", "iso8859-1", "cp1252", "utf-16"))
_LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+\*?(.+)")
_NAMES = frozenset(("bagit.txt", "bag-info.txt", "fetch.txt"))
_LIST_NAME = re.compile(rf"(?:tag)?manifest-(?:{'|'.join(KNOWN_ALGORITHMS)})\.txt")
ReadLimited = Callable[[str, int], bytes]
_TEXT_LINE = re.compile("([^\r\n]*)(?:\r\n|\r|\n|\\Z)")


@dataclass(slots=True)
class Listing:
    """One manifest: hashes in lower case by path as decoded; faults in words."""

    file: str
    algorithm: str
    hashes: dict[str, str] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Bag:
    """What lies in a package's folder and what its tag files say.

    entries:       everything but folders, by path.
    tag_texts:     content of the tag files that mean something here, by name.
    unread:        lists of hashes that are no files, cannot be read, or are too large.
    list_digests:  sha256 of each list of hashes that was read, by its name.
    is_declared:   bagit.txt is there and says what RFC 8493, 2.1.1 asks.
    """

    entries: Mapping[str, TreeEntry]
    has_payload_folder: bool
    tag_texts: Mapping[str, str]
    unread: tuple[str, ...]
    is_declared: bool
    version: str
    payload_listings: tuple[Listing, ...]
    tag_listings: tuple[Listing, ...]
    list_digests: Mapping[str, str]

    @property
    def is_ours(self) -> bool:
        """True for a package made here, which is held to more than BagIt asks."""
        agent = f"Bag-Software-Agent: {SOFTWARE_AGENT} "
        records = {f"{PAYLOAD}/manifest.json", f"{PAYLOAD}/manifest.csv"}
        return agent in self.tag_texts.get("bag-info.txt", "") or any(
            records <= listing.hashes.keys() for listing in self.payload_listings
        )


def read_bag(folder: int) -> Bag:
    """Walk a package and read its tag files; raises OSError where the folder cannot be listed."""
    return read_listed_bag(list(walk(folder)), partial(read_limited, folder))


def read_listed_bag(found: Sequence[TreeEntry], read: ReadLimited) -> Bag:
    """Read the tag files of a package that was listed, wherever it lies.

    read: gives a file's content by path, or raises OSError, also where it is over a limit in bytes.
    """
    entries = {entry.path: entry for entry in found if entry.kind != "folder"}
    contents = _read_tag_files(read, entries)
    declaration = contents.get("bagit.txt", b"").decode("utf-8", "replace")
    encoding = _encoding(declaration)
    texts = {path: _text(content, encoding) for path, content in contents.items()}
    version = re.match(r"BagIt-Version: (\d+\.\d+)\s", declaration)
    return Bag(
        entries=entries,
        has_payload_folder=any((item.path, item.kind) == (PAYLOAD, "folder") for item in found),
        tag_texts=texts,
        unread=tuple(path for path in entries if _LIST_NAME.fullmatch(path) and path not in texts),
        is_declared=version is not None and "Tag-File-Character-Encoding:" in declaration,
        version=version[1] if version else "",
        payload_listings=tuple(_listings(texts, "manifest")),
        tag_listings=tuple(_listings(texts, "tagmanifest")),
        list_digests={
            path: hashlib.sha256(content).hexdigest()
            for path, content in contents.items()
            if _LIST_NAME.fullmatch(path)
        },
    )


def _read_tag_files(read: ReadLimited, entries: Mapping[str, TreeEntry]) -> dict[str, bytes]:
    """Read the tag files that mean something here; left out is what is no file or too large."""
    contents: dict[str, bytes] = {}
    room = MAX_TAG_BYTES
    for path in sorted(entries):
        if path in _NAMES or _LIST_NAME.fullmatch(path):
            with suppress(OSError):
                contents[path] = read(path, room)
                room -= len(contents[path])
    return contents


def _text(content: bytes, encoding: str) -> str:
    return content.decode(encoding, "surrogateescape" if encoding == "utf-8" else "replace")


def read_limited(folder: int, path: str, limit_bytes: int) -> bytes:
    """Read a regular file whole; raises OSError for other things and for larger ones."""
    with opened_file(folder, path) as descriptor, open(descriptor, "rb", closefd=False) as stream:
        size_bytes = os.fstat(descriptor).st_size
        content = stream.read(size_bytes + 1) if size_bytes <= limit_bytes else None
    if content is None or len(content) > limit_bytes:
        raise OSError(f"{path} is larger than {limit_bytes} bytes")
    return content


def _encoding(declaration: str) -> str:
    found = re.search(r"Tag-File-Character-Encoding:\s*([\w.-]{1,40})", declaration)
    try:
        name = codecs.lookup(found[1]).name if found else "utf-8"
    except LookupError:
        name = "utf-8"
    return name if name in _ENCODINGS else "utf-8"


def _listings(texts: Mapping[str, str], kind: str) -> Iterator[Listing]:
    for name, text in texts.items():
        if name.startswith(f"{kind}-"):
            algorithm = name.removeprefix(f"{kind}-").removesuffix(".txt")
            yield _parse(name, algorithm, text, is_payload=kind == "manifest")


def _parse(name: str, algorithm: str, text: str, *, is_payload: bool) -> Listing:
    listing = Listing(name, algorithm)
    length = hashlib.new(algorithm, usedforsecurity=False).digest_size * 2
    for number, line in enumerate(_lines(text), start=1):
        if not line.strip():
            continue
        if len(listing.faults) >= MAX_LINE_FAULTS or len(listing.hashes) >= MAX_LISTED:
            listing.faults.append(f"line {number} and what follows was not read: too many lines")
            break
        match = _LINE.fullmatch(line)
        path = decode_path(match[2]) if match else ""
        if match is None or len(match[1]) != length:
            listing.faults.append(f"line {number} is not '<{algorithm}>  <path>'")
        elif problem := path_problem(path):
            listing.faults.append(f"line {number}: {path!r} {problem}; it was not opened")
        elif path.startswith(f"{PAYLOAD}/") != is_payload:
            listing.faults.append(f"line {number}: {path!r} does not belong in this list")
        elif path in listing.hashes:
            listing.faults.append(f"line {number}: {path!r} is listed twice")
        else:
            listing.hashes[path] = match[1].lower()
    return listing


def _lines(text: str) -> Iterator[str]:
    """Give the lines one by one: a list of them takes many times the text's own memory."""
    return (found[1] for found in _TEXT_LINE.finditer(text))


def delivery_number(package: Path) -> int:
    """Read a package's delivery number; raises DeliveryError where it does not tell one."""
    with (
        told_as_delivery_error("reading bag-info.txt", package),
        opened_folder(package, is_link_allowed=True) as folder,
    ):
        text = read_limited(folder, "bag-info.txt", MAX_TAG_BYTES).decode("utf-8", "replace")
    found = re.search(rf"^{DELIVERY_LABEL}: (\d{{1,9}})$", text, re.MULTILINE)
    if found is None:
        raise DeliveryError(
            f"{package}: tells no delivery number, so it was not made by stemprep; "
            "name a package of ours, or give the number in session.yaml ('delivery')"
        )
    return int(found[1])


def fetch_paths(bag: Bag) -> frozenset[str]:
    """Paths that fetch.txt says are to be fetched from elsewhere; nothing is ever fetched here."""
    lines = islice(_lines(bag.tag_texts.get("fetch.txt", "")), MAX_LISTED)
    fields = (line.split(maxsplit=2) for line in lines)
    return frozenset(decode_path(parts[2]) for parts in fields if len(parts) == 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class HashJob:
    """One file of a package to be hashed; picklable. root: absolute path of the package."""

    root: str
    path: str
    algorithms: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Unreadable:
    """In place of hashes: why a file could not be read, in words."""

    reason: str


HashResult = Digests | Unreadable
