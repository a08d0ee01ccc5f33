"""The tag files of a BagIt 1.0 bag (RFC 8493), and sealing a staging folder with them."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace

from stemprep.errors import DeliveryError
from stemprep.model.package import PackageContent, StagedDocument
from stemprep.model.strict_json import clean_text
from stemprep.package.copying import OUR_ALGORITHMS, Digests
from stemprep.package.descriptors import TreeEntry, opened, opened_file, walk
from stemprep.package.faults import told_as_delivery_error
from stemprep.package.manifest import manifest_csv, manifest_json
from stemprep.package.payload_path import PAYLOAD, encode_path, sort_key
from stemprep.package.staging import Staging
from stemprep.units import size_in_words

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
SOFTWARE_AGENT = "stemprep"
TAG_MANIFEST = "tagmanifest-sha256.txt"
README = "README.txt"  # RFC 8493, 2.2.4: another tag file, held by the tag manifests

FILE_MODE = 0o644
FOLDER_MODE = 0o755

DELIVERY_LABEL = "Delivery-Number"

_OUR_LABELS = frozenset(
    (
        "Bag-Software-Agent", "Bagging-Date", "Bag-Size", "External-Identifier", "Payload-Oxum",
        DELIVERY_LABEL,
    )
)  # fmt: skip


def seal(staging: Staging, content: PackageContent) -> str:
    """Finish a package in its staging folder; returns the sha256 of its tag manifest.

    Writes manifest.json and manifest.csv, then README.txt where there is one, bagit.txt,
    bag-info.txt and the payload manifests, the tag manifest last; fixes modes (files 0644,
    folders 0755) and fsyncs folders bottom-up.
    Raises DeliveryError when the payload is not exactly what the content lists.
    """
    documents = (
        *content.documents,
        staging.add_bytes("manifest.json", manifest_json(content).encode()),
        staging.add_bytes("manifest.csv", manifest_csv(content).encode()),
    )
    payload = _payload(replace(content, documents=documents))
    _check_payload(staging, payload)
    tag_files = {
        **({README: content.readme} if content.readme else {}),
        "bagit.txt": DECLARATION,
        "bag-info.txt": bag_info(content, payload.values()),
        **{
            f"manifest-{name}.txt": manifest_text(_hashes(payload, name)) for name in OUR_ALGORITHMS
        },
    }
    tags = {name: write_tag(staging, name, text.encode()) for name, text in tag_files.items()}
    for algorithm in reversed(OUR_ALGORITHMS):
        text = manifest_text(_hashes(tags, algorithm))
        last = write_tag(staging, f"tagmanifest-{algorithm}.txt", text.encode())
    settle(staging)
    staging.tag_manifest_sha256 = last.by_algorithm["sha256"]
    return staging.tag_manifest_sha256


def manifest_text(hashes: Mapping[str, str]) -> str:
    """Write ``hash  path`` lines in path order, as sha256sum and its relatives read them."""
    return "".join(
        f"{hashes[path]}  {encode_path(path)}\n" for path in sorted(hashes, key=sort_key)
    )


def write_tag(staging: Staging, name: str, content: bytes) -> Digests:
    """Write one tag file at the package's top, fsynced and read back."""
    return staging.write_inside(name, [content], len(content))


def bag_info(content: PackageContent, payload: Iterable[Digests]) -> str:
    """Write bag-info.txt: the content's own labels, then ours; one line a label.

    Long values are not folded: RFC 8493 only recommends it, and readers differ in joining.
    Raises DeliveryError for a label that is malformed or ours, or a date that is none.
    """
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", content.bagging_date):
        raise DeliveryError(f"bagging date {content.bagging_date!r}: give it as YYYY-MM-DD")
    sizes = [digests.size_bytes for digests in payload]
    lines = [
        *content.bag_info,
        ("External-Identifier", content.name),
        (DELIVERY_LABEL, str(content.delivery)),
        ("Bagging-Date", content.bagging_date),
        ("Bag-Size", size_in_words(sum(sizes))),
        ("Payload-Oxum", f"{sum(sizes)}.{len(sizes)}"),
        ("Bag-Software-Agent", f"{SOFTWARE_AGENT} {content.stemprep_version}"),
    ]
    for label, _ in content.bag_info:
        if label in _OUR_LABELS or not re.fullmatch("[A-Za-z][A-Za-z0-9-]*", label):
            raise DeliveryError(f"bag-info label {label!r}: is set by stemprep or malformed")
    return "".join(f"{label}: {_one_line(value)}\n" for label, value in lines if value.strip())


def _one_line(value: str) -> str:
    """Keep a value on its line whatever a sheet says: control characters become spaces."""
    printable = "".join(mark if mark.isprintable() else " " for mark in clean_text(value))
    return " ".join(printable.split())


def _payload(content: PackageContent) -> dict[str, Digests]:
    """Hashes of every payload file by its path in the package."""
    payload: dict[str, Digests] = {}
    audio = [(file.plan.path, file.sha256, file.sha512, file.size_bytes) for file in content.files]
    for path, sha256, sha512, size_bytes in (*audio, *map(_as_row, content.documents)):
        inside = f"{PAYLOAD}/{path}"
        if inside in payload:
            raise DeliveryError(f"{inside}: two files of the package would have this name")
        payload[inside] = Digests({"sha256": sha256, "sha512": sha512}, size_bytes)
    return payload


def _as_row(document: StagedDocument) -> tuple[str, str, str, int]:
    return document.path, document.sha256, document.sha512, document.size_bytes


def _hashes(files: Mapping[str, Digests], algorithm: str) -> dict[str, str]:
    return {path: digests.by_algorithm[algorithm] for path, digests in files.items()}


def _check_payload(staging: Staging, payload: Mapping[str, Digests]) -> None:
    """Raise DeliveryError unless exactly the listed files lie there, at their sizes."""
    with told_as_delivery_error("listing it", staging.root):
        found = {entry.path: entry for entry in walk(staging.descriptor) if entry.kind != "folder"}
    wrong = [path for path in payload if not _is_as_listed(found.get(path), payload[path])]
    if wrong or found.keys() - payload.keys():
        names = ", ".join(sorted({*wrong, *(found.keys() - payload.keys())})[:5])
        raise DeliveryError(
            f"{staging.root}: what was written is not what was planned ({names}); "
            "something else writes there: deliver again; nothing was published"
        )


def _is_as_listed(entry: TreeEntry | None, digests: Digests) -> bool:
    return entry is not None and (entry.kind, entry.size_bytes) == ("file", digests.size_bytes)


def settle(staging: Staging) -> None:
    """Give all files and folders their final mode and fsync the folders, deepest first."""
    with told_as_delivery_error("settling it", staging.root):
        entries = sorted(walk(staging.descriptor), key=lambda entry: -entry.path.count("/"))
        for entry in entries:
            if entry.kind == "file":
                with opened_file(staging.descriptor, entry.path) as descriptor:
                    _set_mode(descriptor, FILE_MODE)
        for entry in entries:
            if entry.kind == "folder":
                with opened(staging.descriptor, entry.path, os.O_RDONLY) as descriptor:
                    _set_mode(descriptor, FOLDER_MODE)
                    os.fsync(descriptor)
        _set_mode(staging.descriptor, FOLDER_MODE)
        os.fsync(staging.descriptor)


def _set_mode(descriptor: int, mode: int) -> None:
    """Set the mode whatever the umask was; disks without modes keep their own."""
    if stat.S_IMODE(os.fstat(descriptor).st_mode) != mode:
        with suppress(PermissionError, NotImplementedError):
            os.fchmod(descriptor, mode)


def without_bagging_date(bag_info_text: Sequence[str]) -> list[str]:
    """Return the lines of bag-info.txt but for the one that may differ in the same package."""
    return [line for line in bag_info_text if not line.startswith("Bagging-Date:")]
