"""What a package's manifest.csv says of each audio file as it was delivered."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Set
from dataclasses import dataclass

from stemprep.package.payload_path import PAYLOAD

MANIFEST_CSV = f"{PAYLOAD}/manifest.csv"
MAX_MANIFEST_CSV_BYTES = 32 << 20
_SHA256 = re.compile("[0-9a-f]{64}")
_COUNT = re.compile("[0-9]{1,15}")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredSound:
    """One audio file as delivered; None where the manifest does not say.

    audio_sha256: hash of its samples. size_bytes: of the whole file.
    """

    audio_sha256: str | None
    size_bytes: int | None
    frames: int | None
    sample_rate_hz: int | None
    channels: int | None


def delivered_sounds(content: bytes, wanted: Set[str]) -> dict[str, DeliveredSound]:
    """Read of manifest.csv what it says of some files, by path as damages name it (``data/...``).

    Empty for what cannot be read; nothing is said of a file that has two rows. The CSV says the
    same as manifest.json, but reading a hostile one takes little more memory than its size.
    """
    found: dict[str, DeliveredSound] = {}
    twice: set[str] = set()
    stream = io.TextIOWrapper(io.BytesIO(content), "utf-8", newline="")
    try:
        for row in csv.DictReader(stream):
            path = row.get("path") or ""
            if path in found:
                twice.add(path)
            elif path in wanted:
                found[path] = _sound(row)
    except (UnicodeDecodeError, csv.Error):
        return {}
    return {path: sound for path, sound in found.items() if path not in twice}


def _sound(row: Mapping[str, str | None]) -> DeliveredSound:
    digest = row.get("audio_sha256") or ""
    return DeliveredSound(
        audio_sha256=digest if _SHA256.fullmatch(digest) else None,
        size_bytes=_count(row, "size_bytes"),
        frames=_count(row, "frames"),
        sample_rate_hz=_count(row, "sample_rate_hz"),
        channels=_count(row, "channels"),
    )


def _count(row: Mapping[str, str | None], name: str) -> int | None:
    value = row.get(name) or ""
    return int(value) if isinstance(value, str) and _COUNT.fullmatch(value) else None
