"""Reading the tag files of a bag that may come from anybody; nothing here raises for content."""

from __future__ import annotations

import codecs
import hashlib
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
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
from stemprep.package.payload_path import PAYLOAD, decode_path, path_problem, without_dot

MAX_TAG_BYTES = 64 << 20
"""All tag files of one package that are read, together; the largest list of ours has a fourth."""
MAX_LISTED = 200_000
"""Lines of one list of hashes that are kept; ours hold at most half of that."""
MAX_LINE_FAULTS = 100
KNOWN_ALGORITHMS = ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")

_ENCODINGS = frozenset(("utf-8", "ascii", "iso8859-1", "cp1252", "utf-16"))
_LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+\*?(.+)")
_NAMES = frozenset(("bagit.txt", "bag-info.txt", "fetch.txt"))
_LIST_NAME = re.compile(rf"(?:tag)?manifest-(?:{'|'.join(KNOWN_ALGORITHMS)})\.txt")
ReadLimited = Callable[[str, int], bytes]
_BYTE_LINE = re.compile(b"([^\r\n]*)(?:\r\n|\r|\n|\\Z)")
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
    tag_texts:     content of the tag files that mean something here, but for lists, by name.
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
    tags = _TagFiles(read, entries)
    return Bag(
        entries=entries,
        has_payload_folder=any((item.path, item.kind) == (PAYLOAD, "folder") for item in found),
        tag_texts=tags.texts,
        unread=tuple(
            path for path in entries if _LIST_NAME.fullmatch(path) and path not in tags.digests
        ),
        is_declared=bool(tags.version) and "Tag-File-Character-Encoding:" in tags.declaration,
        version=tags.version,
        payload_listings=tuple(item for item in tags.listings if item.file.startswith("manifest-")),
        tag_listings=tuple(item for item in tags.listings if not item.file.startswith("manifest-")),
        list_digests=tags.digests,
    )


class _TagFiles:
    """The tag files that mean something here, read one by one: a list's bytes go once it is read.

    Left out is what is no file or too large.
    """

    def __init__(self, read: ReadLimited, entries: Mapping[str, TreeEntry]) -> None:
        self._read = read
        self._room_bytes = MAX_TAG_BYTES
        self.texts: dict[str, str] = {}
        self.digests: dict[str, str] = {}
        self.listings: list[Listing] = []
        names = sorted(path for path in entries if path in _NAMES or _LIST_NAME.fullmatch(path))
        first = self._content("bagit.txt") if "bagit.txt" in names else None
        self.declaration = (first or b"").decode("utf-8", "replace")
        found = re.match(r"BagIt-Version: (\d+\.\d+)\s", self.declaration)
        self.version = found[1] if found else ""
        encoding = _encoding(self.declaration)
        for name in names:
            content = first if name == "bagit.txt" else self._content(name)
            if content is None:
                continue
            if name in _NAMES:
                self.texts[name] = _text(content, encoding)
            else:
                self.digests[name] = hashlib.sha256(content).hexdigest()
                self.listings.append(_parse(name, _content_lines(content, encoding)))

    def _content(self, name: str) -> bytes | None:
        with suppress(OSError, KeyError):
            content = self._read(name, self._room_bytes)
            self._room_bytes -= len(content)
            return content
        return None


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


def _parse(name: str, lines: Iterable[str]) -> Listing:
    is_payload = name.startswith("manifest-")
    algorithm = name.removeprefix("tag").removeprefix("manifest-").removesuffix(".txt")
    listing = Listing(name, algorithm)
    length = hashlib.new(algorithm, usedforsecurity=False).digest_size * 2
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        if len(listing.faults) >= MAX_LINE_FAULTS or len(listing.hashes) >= MAX_LISTED:
            listing.faults.append(
                f"line {number:,} and what follows was not read: of one list {MAX_LISTED:,} good "
                f"lines are read at most, and {MAX_LINE_FAULTS:,} bad ones"
            )
            break
        match = _LINE.fullmatch(line)
        path = without_dot(decode_path(match[2])) if match else ""
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


def _content_lines(content: bytes, encoding: str) -> Iterator[str]:
    """Give the lines one by one: a list of them takes many times the content's own memory."""
    if encoding == "utf-16":
        yield from _lines(_text(content, encoding))
        return
    for found in _BYTE_LINE.finditer(content):
        yield _text(found[1], encoding)


def _lines(text: str) -> Iterator[str]:
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


def fetch_faults(bag: Bag) -> list[str]:
    """What in fetch.txt points out of the payload, in words (RFC 8493, 2.2.3 and 5.3)."""
    lines = islice(_lines(bag.tag_texts.get("fetch.txt", "")), MAX_LISTED)
    faults: list[str] = []
    for number, line in enumerate(lines, 1):
        parts = line.split(maxsplit=2)
        path = without_dot(decode_path(parts[2])) if len(parts) == 3 else None
        if path is None:
            continue
        problem = path_problem(path)
        if problem is None and not path.startswith(f"{PAYLOAD}/"):
            problem = "lies outside the payload"
        if problem is not None and len(faults) < MAX_LINE_FAULTS:
            faults.append(f"line {number}: {path!r} {problem}")
    return faults


def fetch_paths(bag: Bag, wanted: Set[str]) -> frozenset[str]:
    """Which of the wanted paths fetch.txt says lie elsewhere; nothing is ever fetched here."""
    lines = islice(_lines(bag.tag_texts.get("fetch.txt", "")), MAX_LISTED)
    fields = (line.split(maxsplit=2) for line in lines)
    paths = (without_dot(decode_path(parts[2])) for parts in fields if len(parts) == 3)
    return frozenset(path for path in paths if path in wanted)


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
