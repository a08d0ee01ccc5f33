"""What a package's manifest.json tells, as records; the text may come from anybody."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NoReturn, TypeVar, cast

from stemprep.errors import DeliveryError
from stemprep.model import json_reading
from stemprep.model.package import Amendment, Predecessor
from stemprep.model.plan import LeftOut, Operation
from stemprep.model.record_codec import Json
from stemprep.model.sheet import BarOne, SessionSheet
from stemprep.model.words import OPERATION_NAMES, ROLES, OperationName, Role
from stemprep.spec import load_recorded_sheet

_SHA256 = re.compile("[0-9a-f]{64}")
_INSIDE = "data/"
_LONGEST_PATH, _DEEPEST_PATH = 20_000, 128
"""Characters, and folders; a system's 4,096 bytes may all be written as four characters."""
_LARGEST_LEVEL = 10_000.0
"""dB; 64-bit float ends 6,200 dB over full scale and 6,500 below."""
_LEVELS = ("_dbfs", "_dbtp", "_lufs", "_lu", "_db")
_RANGES: Mapping[str, tuple[int, int]] = {
    "delivery": (0, 999_999_999),
    "number": (0, 999_999_999),
    "sample_rate_hz": (1, (1 << 32) - 1),  # as in the headers of RIFF: 32 bits, and 16 for channels
    "channels": (1, (1 << 16) - 1),
    "bit_depth": (0, 64),
    "effective_bit_depth": (0, 64),
    "container_bits": (0, 64),
    "channel_mask": (0, (1 << 32) - 1),
    "frames": (0, 1 << 40),  # 33 days at 384 kHz
    "size_bytes": (0, 1 << 50),
    "start_sample": (0, json_reading.LARGEST_WHOLE),
    "sample_peak_channel": (0, (1 << 16) - 1),
    "sample_peak_sample": (0, 1 << 40),
}
"""Lowest and highest that a package of ours can hold, damaged files of an archive among it."""
Kind = TypeVar("Kind")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredSource:
    """A file that something was made from: its name in the drop, its hash and that of its sound."""

    path: str
    sha256: str
    audio_sha256: str | None
    facts: Json | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredFile:
    """One audio file of a package as its manifest tells it.

    path:    relative to the payload (``data/``).
    sources: dropped files it was made from, in order; empty for what was made by us.
    facts:   measured on the file as delivered, by the contract's names.
    """

    path: str
    role: Role
    song: str
    made_by_us: bool
    is_damaged: bool
    sources: tuple[DeliveredSource, ...]
    source_channels: tuple[int, ...]
    operations: tuple[Operation, ...]
    sha256: str
    audio_sha256: str | None
    size_bytes: int
    facts: Json = field(repr=False)

    def whole(self, name: str) -> int | None:
        """One of its facts that is a whole number; None where it is absent or anything else."""
        value = self.facts.get(name)
        return value if isinstance(value, int) and not isinstance(value, bool) else None

    def figure(self, name: str) -> float | None:
        """One of its facts that is a number; minus infinity where the flag beside it says so."""
        value = self.facts.get(name)
        if value is None and self.facts.get(f"is_{name}_infinite") is True:
            return -float("inf")
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        return float(cast("float", value)) if is_number else None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredDocument:
    """One carried document: path below the payload, its name in the drop."""

    path: str
    source: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a package tells of itself.

    bars_1:     per song title, where bar 1 lies in its files as delivered; only where that is known
                and no timecode tells it.
    history:    all deliveries before it, the first one first.
    companions: paths below the payload of what was made for it beside the dropped files.
    """

    name: str
    delivery: int
    verdict: str
    predecessor: Predecessor | None
    history: tuple[Predecessor, ...]
    amendment: Amendment | None
    stemprep_version: str
    spec_name: str
    spec_sha256: str
    sheet: SessionSheet | None
    start_samples: Mapping[str, int | None]
    bars_1: Mapping[str, BarOne]
    files: tuple[DeliveredFile, ...]
    documents: tuple[DeliveredDocument, ...]
    companions: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    waivers: tuple[Json, ...] = field(default=(), repr=False)

    @property
    def dropped_files(self) -> tuple[DeliveredFile, ...]:
        """The files that were made from what was dropped."""
        return tuple(file for file in self.files if not file.made_by_us and file.sources)


def parse_manifest(text: str, name: str) -> Manifest:
    """Read manifest.json; ``name`` is what messages call the package.

    Raises DeliveryError for anything that is not a manifest of ours, saying where: a file named
    twice and values that no file can have are among it. SpecError for a sheet in it that says what
    no sheet may.
    """
    try:
        content = json_reading.loads(text, _NamedOnce(name))
        return _manifest(_Reader(content, name), name)
    except (ValueError, RecursionError) as error:
        raise DeliveryError(f"{name}: its manifest.json is no JSON ({error}); {_ADVICE}") from error


_ADVICE = "name a package that stemprep made"


class _NamedOnce:
    """Refuses a second record of one file as soon as it is read."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._known: set[str] = set()

    def __call__(self, record: dict[str, Any]) -> None:
        """Take one record of the text, whatever it is."""
        path = record.get("path")
        is_file = "sha256" in record and ("operations" in record or "source" in record)
        if not is_file or not isinstance(path, str):
            return
        if path in self._known:
            raise DeliveryError(
                f"{self._where}: {path[:80]!r} stands twice in manifest.json, and a package holds "
                f"each file once; {_ADVICE}"
            )
        self._known.add(path)


class _Reader:
    """One JSON object that is asked for fields of a type; DeliveryError where there is none."""

    def __init__(self, value: object, where: str) -> None:
        if not isinstance(value, dict):
            raise DeliveryError(f"{where}: manifest.json holds no record there; {_ADVICE}")
        self.values = value
        self.where = where

    def get(self, key: str, kind: type[Kind]) -> Kind:
        value = self.values.get(key)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise DeliveryError(
                f"{self.where}: {key} in manifest.json is missing or malformed; {_ADVICE}"
            )
        return value

    def count(self, key: str) -> int:
        """Give a whole number within what files and packages can have."""
        value = self.get(key, int)
        if not _is_possible(key, value):
            self.refuse(key, value)
        return value

    def facts(self, key: str) -> Json:
        """Give measurements; DeliveryError where one of them is no measurement of any file."""
        values = self.get(key, dict)
        for name in _RANGES.keys() & values.keys():
            if not _is_possible(name, values[name]):
                self.refuse(f"{key}: {name}", values[name])
        for name, value in values.items():
            is_number = isinstance(value, int | float) and not isinstance(value, bool)
            if is_number and name.endswith(_LEVELS) and abs(value) > _LARGEST_LEVEL:
                self.refuse(f"{key}: {name}", value)
        return values

    def refuse(self, key: str, value: object) -> NoReturn:
        """Raise DeliveryError for a value that nothing can have."""
        raise DeliveryError(
            f"{self.where}: {key} in manifest.json is {str(value)[:40]!r}, which no file has; "
            f"{_ADVICE}"
        )

    def maybe(self, key: str, kind: type[Kind]) -> Kind | None:
        return None if self.values.get(key) is None else self.get(key, kind)

    def each(self, key: str) -> list[_Reader]:
        items = self.get(key, list)
        return [_Reader(item, f"{self.where}: {key}[{i}]") for i, item in enumerate(items)]

    def word(self, key: str, allowed: tuple[str, ...]) -> str:
        value = self.get(key, str)
        if value not in allowed:
            raise DeliveryError(
                f"{self.where}: {key} in manifest.json is {value!r}, which this release does not "
                "know; use the release that made the package, or a newer one"
            )
        return value

    def digest(self, key: str) -> str:
        value = self.get(key, str)
        if not _SHA256.fullmatch(value):
            raise DeliveryError(f"{self.where}: {key} in manifest.json is no sha256; {_ADVICE}")
        return value

    def path(self, key: str) -> str:
        """Give a path that a drop or package can have: others cost hours to make portable."""
        value = self.get(key, str)
        if len(value) > _LONGEST_PATH or value.count("/") > _DEEPEST_PATH:
            raise DeliveryError(
                f"{self.where}: {key} in manifest.json is longer than any path; {_ADVICE}"
            )
        return value

    def inside(self, key: str) -> str:
        """Give a path below the payload; whether it may be opened is for the edges to decide."""
        value = self.path(key)
        is_odd = "\0" in value or any(part in ("", ".", "..") for part in value.split("/"))
        if is_odd or not value.startswith(_INSIDE):
            raise DeliveryError(f"{self.where}: {key} in manifest.json leaves data/; {_ADVICE}")
        return value.removeprefix(_INSIDE)


def _is_possible(name: str, value: object) -> bool:
    """Tell whether a count lies where a file's own can; what is no number is told elsewhere."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return True
    lowest, highest = _RANGES[name]
    return lowest <= value <= highest


def _manifest(top: _Reader, name: str) -> Manifest:
    package = _Reader(top.get("package", dict), f"{name}: package")
    before = package.maybe("predecessor", dict)
    amends = package.maybe("amends", dict)
    spec = _Reader(top.get("spec", dict), f"{name}: spec")
    sheet = top.maybe("sheet", dict)
    return Manifest(
        name=package.get("name", str),
        delivery=package.count("delivery"),
        verdict=package.get("verdict", str),
        predecessor=None if before is None else _predecessor(_Reader(before, package.where)),
        history=tuple(map(_predecessor, package.each("history")))
        if package.values.get("history")
        else (),
        amendment=None if amends is None else _amendment(_Reader(amends, package.where)),
        stemprep_version=top.get("stemprep_version", str),
        spec_name=spec.get("name", str),
        spec_sha256=spec.get("sha256", str),
        sheet=None if sheet is None else load_recorded_sheet(sheet, name),
        start_samples=_starts(top),
        bars_1=_bars_1(top.maybe("start_references", dict) or {}),
        files=tuple(_file(item) for item in top.each("files")),
        documents=tuple(_document(item) for item in top.each("documents")),
        companions=tuple(item.get("path", str) for item in top.each("companions")),
        left_out=tuple(
            LeftOut(path=item.get("path", str), reason=item.get("reason", str))
            for item in top.each("left_out")
        ),
        waivers=tuple(cast("Json", item.values) for item in top.each("waivers")),
    )


def _starts(top: _Reader) -> dict[str, int | None]:
    starts: dict[str, int | None] = {}
    for song, start in top.get("start_samples", dict).items():
        is_whole = isinstance(start, int) and not isinstance(start, bool)
        if is_whole and not _is_possible("start_sample", start):
            top.refuse("start_samples", start)
        starts[song] = start if is_whole else None
    return starts


def _bars_1(values: dict[str, Any]) -> dict[str, BarOne]:
    """Bar 1 in samples as time references count, from the start of the files where none has one."""
    places = {
        song: bar_1 + (_whole(record, "start_samples") or 0)
        for song, record in values.items()
        if (bar_1 := _whole(record, "bar_1_samples")) is not None
        and record.get("bar_1_timecode") is None
    }
    return {song: BarOne(samples=place) for song, place in places.items() if place >= 0}


def _whole(record: object, name: str) -> int | None:
    value = record.get(name) if isinstance(record, dict) else None
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _predecessor(item: _Reader) -> Predecessor:
    return Predecessor(
        name=item.get("name", str),
        number=item.count("number"),
        tag_manifest_sha256=item.digest("tag_manifest_sha256"),
    )


def _amendment(item: _Reader) -> Amendment:
    return Amendment(
        package=item.get("package", str),
        reason=item.get("reason", str),
        replaced=tuple(map(str, item.get("replaced", list))),
        added=tuple(map(str, item.get("added", list))),
        left_out=tuple(map(str, item.get("left_out", list))),
        is_return=item.values.get("is_return") is True,
    )


def _file(item: _Reader) -> DeliveredFile:
    return DeliveredFile(
        path=item.inside("path"),
        role=cast("Role", item.word("role", ROLES)),
        song=item.get("song", str),
        made_by_us=item.get("made_by_us", bool),
        is_damaged=item.get("is_damaged", bool),
        sources=tuple(
            _source(source) for source in item.each("sources") if source.values.get("path")
        ),
        source_channels=tuple(_channels(item)),
        operations=tuple(_operation(step) for step in item.each("operations")),
        sha256=item.digest("sha256"),
        audio_sha256=item.maybe("audio_sha256", str),
        size_bytes=item.count("size_bytes"),
        facts=item.facts("facts"),
    )


def _channels(item: _Reader) -> Iterator[int]:
    for number in item.get("source_channels", list):
        if isinstance(number, int) and not isinstance(number, bool):
            if not _is_possible("channels", number):
                item.refuse("source_channels", number)
            yield number


def _source(item: _Reader) -> DeliveredSource:
    return DeliveredSource(
        path=item.path("path"),
        sha256=item.maybe("sha256", str) or "",
        audio_sha256=item.maybe("audio_sha256", str),
        facts=None if item.values.get("facts") is None else item.facts("facts"),
    )


def _operation(item: _Reader) -> Operation:
    return Operation(
        name=cast("OperationName", item.word("name", OPERATION_NAMES)),
        parameters=item.get("parameters", dict),
        reason=item.get("reason", str),
        evidence=item.get("evidence", str),
    )


def _document(item: _Reader) -> DeliveredDocument:
    return DeliveredDocument(
        path=item.inside("path"),
        source=item.path("source"),
        sha256=item.digest("sha256"),
        size_bytes=item.count("size_bytes"),
    )
