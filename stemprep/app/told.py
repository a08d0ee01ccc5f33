"""What a package tells of itself, wherever it lies: its manifest and its seal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.lineage import Manifest, parse_manifest
from stemprep.package import (
    MANIFEST,
    MAX_MANIFEST_JSON_BYTES,
    TAG_MANIFEST,
    read_inside,
    sha256_of_bytes,
    told_as_delivery_error,
)
from stemprep.transfer import Address, opened_remote, opened_zip, told_of_store

Read = Callable[[str, int], bytes]
_OUTCOME = "nothing was compared"


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A package's manifest, and the sha256 of its tag manifest."""

    manifest: Manifest
    seal: str


def told_by(place: Path | Address) -> Told:
    """Read what a package tells: a folder, a zip, or either in a store; nothing is verified.

    Raises DeliveryError for what is no package of ours, or was not sent to its end.
    """
    shown = place.shown if isinstance(place, Address) else str(place)
    with _reader(place) as read:
        try:
            seal = sha256_of_bytes(read(TAG_MANIFEST, MAX_MANIFEST_JSON_BYTES))
        except (OSError, KeyError) as error:
            raise DeliveryError(
                f"{shown}: is no complete package: it has no {TAG_MANIFEST}; name a package, and "
                "let its transfer finish"
            ) from error
        try:
            content = read(MANIFEST, MAX_MANIFEST_JSON_BYTES)
            text = content.decode("utf-8")
        except (OSError, KeyError, UnicodeDecodeError) as error:
            raise DeliveryError(
                f"{shown}: has no {MANIFEST} that can be read; name a package that stemprep made"
            ) from error
    return Told(manifest=parse_manifest(text, place.name), seal=seal)


@contextmanager
def _reader(place: Path | Address) -> Iterator[Read]:
    if isinstance(place, Path):
        with _local_reader(place) as read:
            yield read
        return
    with opened_remote(place) as remote, told_of_store("reading", place, _OUTCOME):
        if place.name.lower().endswith(".zip"):
            with remote.open(place.path) as stream, opened_zip(stream, place.shown) as zipped:
                yield zipped.read
            return
        yield lambda path, limit: remote.read(f"{place.path}/{path}", limit)


@contextmanager
def _local_reader(place: Path) -> Iterator[Read]:
    if place.is_file():
        with told_as_delivery_error("opening the zip", place, _OUTCOME):
            stream = place.open("rb")
        with stream, opened_zip(stream, str(place)) as zipped:
            yield zipped.read
        return
    if not place.is_dir():
        raise DeliveryError(f"{place}: is not there; check the name or connect the disk")
    yield lambda path, limit: read_inside(place, path, limit)
