"""manifest.json and manifest.csv: where each file came from, what was done, what came out."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from importlib import metadata
from itertools import zip_longest

from stemprep.model.csv_table import csv_table
from stemprep.model.facts import FileFacts
from stemprep.model.finding import Finding
from stemprep.model.package import PackageContent, Predecessor, SecondReading, WrittenFile
from stemprep.model.plan import Operation
from stemprep.model.record_codec import Json, encode_record, rounded
from stemprep.model.strict_json import dumps, figure
from stemprep.package.payload_path import PAYLOAD, sort_key

MANIFEST_VERSION = 1

_LIBRARIES_THAT_SHAPE_BYTES = ("numpy", "pedalboard", "pyloudnorm", "soundfile", "soxr")


def made_with() -> dict[str, str]:
    """Versions of the libraries that may change bytes of a package."""
    return {name: metadata.version(name) for name in _LIBRARIES_THAT_SHAPE_BYTES}


def manifest_json(content: PackageContent) -> str:
    """Write the manifest as strict JSON, paths relative to the package, files in path order.

    Same content, same text. The bagging date is not in it.
    """
    return dumps(
        {
            "manifest_version": MANIFEST_VERSION,
            "stemprep_version": content.stemprep_version,
            "made_with": dict(content.made_with),
            "package": _package(content),
            "spec": {
                "name": content.spec_name,
                "title": content.spec_title,
                "sha256": content.spec_sha256,
            },
            "sheet": None if content.sheet is None else dataclasses.asdict(content.sheet),
            "start_samples": dict(content.start_samples),
            "start_references": {
                song: dataclasses.asdict(each) for song, each in content.references.items()
            },
            "files": [_file(file) for file in _in_order(content.files)],
            "documents": _documents(content),
            "companions": [dataclasses.asdict(entry) for entry in content.companions],
            "left_out": [dataclasses.asdict(entry) for entry in content.left_out],
            "waivers": [_waiver(finding, content) for finding in content.waived],
            "repaired": [_finding(finding) for finding in content.repaired],
            "notes": list(content.notes),
        }
    )


def _package(content: PackageContent) -> Json:
    before = content.predecessor
    return {
        "name": content.name,
        "delivery": content.delivery,
        "verdict": content.verdict,
        "predecessor": None if before is None else _delivery(before),
        "history": [] if before is None else [_delivery(each) for each in before.history],
        "amends": None if content.amendment is None else dataclasses.asdict(content.amendment),
    }


def _delivery(delivery: Predecessor) -> Json:
    return {
        "name": delivery.name,
        "number": delivery.number,
        "tag_manifest_sha256": delivery.tag_manifest_sha256,
    }


def _in_order(files: Iterable[WrittenFile]) -> list[WrittenFile]:
    return sorted(files, key=lambda file: sort_key(file.plan.path))


def _file(file: WrittenFile) -> Json:
    plan = file.plan
    return {
        "path": f"{PAYLOAD}/{plan.path}",
        "role": plan.role,
        "song": plan.song,
        "made_by_us": file.made_by_us,
        "is_damaged": plan.is_damaged,
        "sources": [_source(path, facts) for path, facts in zip_longest(plan.sources, file.before)],
        "source_channels": list(plan.source_channels),
        "operations": [_operation(step) for step in plan.operations],
        "track_names": list(plan.track_names),
        "kept_chunks": list(plan.kept_chunks),
        "dropped_chunks": list(plan.dropped_chunks),
        "sha256": file.sha256,
        "sha512": file.sha512,
        "audio_sha256": file.after.audio_sha256,
        "size_bytes": file.size_bytes,
        "facts": encode_record(file.after),
        "second_reading": _second_reading(file.second_reading),
    }


def _source(path: str | None, facts: FileFacts | None) -> Json:
    return {
        "path": path,
        "sha256": None if facts is None else facts.sha256,
        "audio_sha256": None if facts is None else facts.audio_sha256,
        "facts": None if facts is None else encode_record(facts),
    }


def _operation(step: Operation) -> Json:
    return {
        "name": step.name,
        "parameters": dict(step.parameters),
        "reason": step.reason,
        "evidence": step.evidence,
    }


def _second_reading(reading: SecondReading | None) -> Json | None:
    if reading is None:
        return None
    return {**dataclasses.asdict(reading), "loudness_lufs": rounded(reading.loudness_lufs)}


def _documents(content: PackageContent) -> list[Json]:
    return [
        {
            "path": f"{PAYLOAD}/{document.path}",
            "source": document.source,
            "sha256": document.sha256,
            "sha512": document.sha512,
            "size_bytes": document.size_bytes,
        }
        for document in sorted(content.documents, key=lambda document: sort_key(document.path))
        if document.source is not None  # our own reports may change without the package changing
    ]


def _finding(finding: Finding) -> Json:
    return {
        "check": finding.check,
        "severity": finding.severity,
        "file": finding.file,
        "files": list(finding.files),
        "song": finding.song,
        **figure("found", finding.found),
        **figure("required", finding.required),
        "unit": finding.unit,
        "message": finding.message,
    }


def _waiver(finding: Finding, content: PackageContent) -> Json:
    """Tie a signed exception to the audio it was signed for, so that a re-export asks again."""
    hashes = {
        path: facts.audio_sha256
        for file in content.files
        for path, facts in zip(file.plan.sources, file.before, strict=False)
    }
    return {
        **_finding(finding),
        "waived_by": finding.waived_by,
        "reason": finding.waiver_reason,
        "audio_sha256": hashes.get(finding.file or ""),
    }


_COLUMNS = (
    "path", "sources", "role", "song", "made_by_us", "operations", "container", "encoding",
    "sample_rate_hz", "bit_depth", "channels", "frames", "time_reference_samples",
    "sample_peak_dbfs", "true_peak_dbtp", "loudness_lufs", "waived", "source_sha256",
    "source_audio_sha256", "sha256", "sha512", "audio_sha256", "size_bytes",
)  # fmt: skip
_FACT_COLUMNS = frozenset(_COLUMNS[6:16])


def manifest_csv(content: PackageContent) -> str:
    """Write one row a file (RFC 4180, CRLF), lists joined by `` | ``, digital silence as ``-inf``.

    Text that a spreadsheet would take for a formula is led by an apostrophe.
    """
    rows = (_row(file, content) for file in _in_order(content.files))
    return csv_table(_COLUMNS, ([row[column] for column in _COLUMNS] for row in rows))


def _row(file: WrittenFile, content: PackageContent) -> Json:
    entry = _file(file)
    waived = [item.check for item in content.waived if item.file in file.plan.sources]
    return {
        **entry,
        **{name: _figure(entry["facts"], name) for name in _FACT_COLUMNS},
        "made_by_us": "yes" if file.made_by_us else "no",
        "sources": " | ".join(file.plan.sources),
        "operations": " | ".join(step.name for step in file.plan.operations),
        "waived": " | ".join(waived),
        "source_sha256": " | ".join(facts.sha256 for facts in file.before),
        "source_audio_sha256": " | ".join(facts.audio_sha256 or "" for facts in file.before),
    }


def _figure(facts: Json, name: str) -> str | int | float | None:
    value: str | int | float | None = facts[name]
    return -float("inf") if value is None and facts.get(f"is_{name}_infinite") else value
