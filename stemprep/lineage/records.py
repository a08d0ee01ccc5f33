"""What a package's manifest.json tells, as records; the text may come from anybody."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, cast

from stemprep.errors import DeliveryError
from stemprep.model import json_reading
from stemprep.model.definition import Range, TextForm
from stemprep.model.json_document import widened
from stemprep.model.package import Amendment, Predecessor
from stemprep.model.plan import LeftOut, Operation
from stemprep.model.record_codec import Json, UnfitRecordError, decode_record
from stemprep.model.sheet import BarOne, SessionSheet
from stemprep.model.value_types import Sha256
from stemprep.model.words import Role
from stemprep.spec import load_recorded_sheet

_INSIDE = "data/"
_LONGEST_PATH, _DEEPEST_PATH = 20_000, 128
"""Characters, and folders; a system's 4,096 bytes may all be written as four characters."""
_LARGEST_LEVEL = 10_000.0
"""dB; 64-bit float ends 6,200 dB over full scale and 6,500 below."""
_LEVELS = ("_dbfs", "_dbtp", "_lufs", "_lu", "_db")
# As in the headers of RIFF: 16 bits.
_CHANNELS = (1, (1 << 16) - 1)
_RANGES: Mapping[str, tuple[int, int]] = {
    "sample_rate_hz": (1, (1 << 32) - 1),  # as in the headers of RIFF: 32 bits, and 16 for channels
    "channels": _CHANNELS,
    "bit_depth": (0, 64),
    "effective_bit_depth": (0, 64),
    "container_bits": (0, 64),
    "channel_mask": (0, (1 << 32) - 1),
    "frames": (0, 1 << 40),  # 33 days at 384 kHz
    "size_bytes": (0, 1 << 50),
    "sample_peak_channel": (0, (1 << 16) - 1),
    "sample_peak_sample": (0, 1 << 40),
}
"""Lowest and highest that a package of ours can hold, damaged files of an archive among it."""
_ADVICE = "name a package that stemprep made"
_UNKNOWN_WORD = "is no word that is known here"
_OTHER_RELEASE = "use the release that made the package, or a newer one"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _path_fault(text: str) -> str | None:
    """Refuse what no drop or package can have: such paths cost hours to make portable."""
    is_too_long = len(text) > _LONGEST_PATH or text.count("/") > _DEEPEST_PATH
    return "is longer than any path" if is_too_long else None


def _payload_fault(text: str) -> str | None:
    """Want a path below the payload; whether it may be opened is for the edges to decide."""
    is_odd = "\0" in text or any(part in ("", ".", "..") for part in text.split("/"))
    is_outside = is_odd or not text.startswith(_INSIDE)
    return _path_fault(text) or ("leaves data/" if is_outside else None)


class _Measured:
    """Measurements; none of them may be what no file has."""

    def fault(self, values: Json) -> str | None:
        """Say which of them no file can have; what is no number is told elsewhere."""
        for name, value in values.items():
            if not _is_number(value):
                continue
            low, high = _RANGES.get(name, (-value, value) if value >= 0 else (value, -value))
            is_level = name.endswith(_LEVELS) and abs(value) > _LARGEST_LEVEL
            if is_level or not low <= value <= high:
                return f"holds {name} {str(value)[:40]}, which no file has"
        return None


_Path = Annotated[str, TextForm("a path", fault_in=_path_fault)]
_PayloadPath = Annotated[str, TextForm("a path below data/", fault_in=_payload_fault)]
_Facts = Annotated[Mapping[str, Any], _Measured()]
_SizeBytes = Annotated[int, Range(*_RANGES["size_bytes"])]
_Number = Annotated[int, Range(0, 999_999_999)]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredSource:
    """A file that something was made from: its name in the drop, its hash and that of its sound."""

    path: _Path
    sha256: str
    audio_sha256: str | None
    facts: _Facts | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredFile:
    """One audio file of a package as its manifest tells it.

    path:    relative to the payload (``data/``).
    sources: dropped files it was made from, in order; empty for what was made by us.
    facts:   measured on the file as delivered, by the contract's names.
    """

    path: _PayloadPath
    role: Role
    song: str
    made_by_us: bool
    is_damaged: bool
    sources: tuple[DeliveredSource, ...]
    source_channels: tuple[Annotated[int, Range(*_CHANNELS)], ...]
    operations: tuple[Operation, ...]
    sha256: Sha256
    audio_sha256: str | None
    size_bytes: _SizeBytes
    facts: _Facts = field(repr=False)

    def whole(self, name: str) -> int | None:
        """One of its facts that is a whole number; None where it is absent or anything else."""
        value = self.facts.get(name)
        return value if isinstance(value, int) and not isinstance(value, bool) else None

    def figure(self, name: str) -> float | None:
        """One of its facts that is a number; minus infinity where the flag beside it says so."""
        value = self.facts.get(name)
        if value is None and self.facts.get(f"is_{name}_infinite") is True:
            return -float("inf")
        return float(cast("float", value)) if _is_number(value) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredDocument:
    """One carried document: path below the payload, its name in the drop."""

    path: _PayloadPath
    source: _Path
    sha256: Sha256
    size_bytes: _SizeBytes


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

    @property
    def dropped_files(self) -> tuple[DeliveredFile, ...]:
        """The files that were made from what was dropped."""
        return tuple(file for file in self.files if not file.made_by_us and file.sources)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Delivery:
    name: str
    number: _Number
    tag_manifest_sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class _Package:
    name: str
    delivery: _Number
    verdict: str
    predecessor: _Delivery | None = None
    history: tuple[_Delivery, ...] | None = ()
    amends: Amendment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spec:
    name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Companion:
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bar:
    """Where bar 1 lies, of all that is said of a song's start."""

    bar_1_samples: int | None = None
    start_samples: int | None = None
    bar_1_timecode: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _ManifestDocument:
    """What is read of manifest.json; other fields may stand in it."""

    stemprep_version: str
    package: _Package
    spec: _Spec
    sheet: Mapping[str, Any] | None = None
    start_samples: Mapping[str, Annotated[int, Range(0, json_reading.LARGEST_WHOLE)] | None]
    start_references: Mapping[str, _Bar] | None = None
    files: tuple[DeliveredFile, ...]
    documents: tuple[DeliveredDocument, ...]
    companions: tuple[_Companion, ...]
    left_out: tuple[LeftOut, ...]


def parse_manifest(text: str, name: str) -> Manifest:
    """Read manifest.json; ``name`` is what messages call the package.

    Raises DeliveryError for anything that is not a manifest of ours, saying where: a file named
    twice and values that no file can have are among it. SpecError for a sheet in it that says what
    no sheet may.
    """
    try:
        content = json_reading.loads(text, _NamedOnce(name))
        written = decode_record(_ManifestDocument, _without_unnamed(content), is_open=True)
    except UnfitRecordError as error:
        raise DeliveryError(_words(error, name)) from error
    except (ValueError, RecursionError) as error:
        raise DeliveryError(f"{name}: its manifest.json is no JSON ({error}); {_ADVICE}") from error
    return _manifest(written, name)


def _words(error: UnfitRecordError, name: str) -> str:
    """``lantern: files[1].role in manifest.json is missing; name a package ...``."""
    where = re.sub(r"\.(\d+)", r"[\1]", error.where)
    reason = error.reason.replace("is out of range", "is a number which no file has")
    advice = _OTHER_RELEASE if error.reason == _UNKNOWN_WORD else _ADVICE
    return f"{name}: {where}{' ' if where else ''}in manifest.json {reason}; {advice}"


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


def _without_unnamed(content: Any) -> Any:
    """Leave out sources that were not named: of what was made here nothing was dropped."""
    files = content.get("files") if isinstance(content, dict) else None
    for file in files if isinstance(files, list) else ():
        sources = file.get("sources") if isinstance(file, dict) else None
        if isinstance(sources, list):
            file["sources"] = [
                each for each in sources if not isinstance(each, dict) or each.get("path")
            ]
    return content


def _manifest(written: _ManifestDocument, name: str) -> Manifest:
    package = written.package
    return widened(
        Manifest,
        written,
        name=package.name,
        delivery=package.delivery,
        verdict=package.verdict,
        predecessor=None if package.predecessor is None else _predecessor(package.predecessor),
        history=tuple(map(_predecessor, package.history or ())),
        amendment=package.amends,
        spec_name=written.spec.name,
        spec_sha256=written.spec.sha256,
        sheet=None if written.sheet is None else load_recorded_sheet(written.sheet, name),
        bars_1=_bars_1(written.start_references or {}),
        files=tuple(widened(DeliveredFile, each, path=_below(each)) for each in written.files),
        documents=tuple(
            widened(DeliveredDocument, each, path=_below(each)) for each in written.documents
        ),
        companions=tuple(each.path for each in written.companions),
    )


def _below(file: DeliveredFile | DeliveredDocument) -> str:
    return file.path.removeprefix(_INSIDE)


def _predecessor(delivery: _Delivery) -> Predecessor:
    return widened(Predecessor, delivery, earlier=())


def _bars_1(references: Mapping[str, _Bar]) -> dict[str, BarOne]:
    """Bar 1 in samples as time references count, from the start of the files where none has one."""
    places = {
        song: bar.bar_1_samples + (bar.start_samples or 0)
        for song, bar in references.items()
        if bar.bar_1_samples is not None and bar.bar_1_timecode is None
    }
    return {song: BarOne(samples=place) for song, place in places.items() if place >= 0}
