"""The report as strict JSON by the published schema."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from stemprep.model.facts import SetFacts, SongFacts
from stemprep.model.finding import Finding, Occurrence
from stemprep.model.plan import OutputPlan, Plan
from stemprep.model.record_codec import Json, encode_record
from stemprep.model.report import Report
from stemprep.model.session import MeasuredFile, Session
from stemprep.model.strict_json import dumps
from stemprep.report.causes import files_of
from stemprep.report.mic_pairs import mic_pair_json
from stemprep.report.null_tests import null_test_json, untested_sum_json
from stemprep.report.schema import SCHEMA_VERSION

FIGURE_DECIMALS = 6

Archives = Mapping[str, str | None]


def render_json(report: Report) -> str:
    """Write the report as strict JSON text: the same report gives the same bytes."""
    return dumps(report_json(report))


def report_json(report: Report) -> Json:
    """Give the report as plain values; paths are relative to the drop, with ``/``.

    In a zip, ``file`` and ``path`` are the zip and ``entry`` the inner name; set facts and the
    plan speak of inner names alone.
    """
    session = report.measured.session
    archives = {entry.path: entry.archive for entry in session.entries}
    return {
        "schema_version": SCHEMA_VERSION,
        "stemprep_version": report.stemprep_version,
        "spec": {
            "name": report.spec_name,
            "title": report.spec_title,
            "sha256": report.spec_sha256,
        },
        "session": _session(session),
        "verdict": report.verdict,
        "songs": [{"song": song.song, "verdict": song.verdict} for song in report.songs],
        "files": [_file(file) for file in report.measured.files],
        "set_facts": _set_facts(report.set_facts),
        "findings": [_finding(each, archives) for each in report.findings],
        "repaired": [_finding(each, archives) for each in report.repaired],
        "plan": None if report.plan is None else plan_json(report.plan),
        "package": report.package,
        "notes": list(report.notes),
    }


def _session(session: Session) -> Json:
    sheet = session.sheet
    return {
        "name": session.name,
        "archive": session.archive,
        "artist": None if sheet is None else sheet.artist,
        "title": None if sheet is None else sheet.title,
        "delivery": None if sheet is None else sheet.delivery,
        "sheet_sha256": None if sheet is None else sheet.sha256,
        "songs": list(session.songs),
        "other_entries": [
            {
                **_where(entry.path, entry.archive),
                "kind": entry.kind,
                "size_bytes": entry.size_bytes,
                "reason": entry.reason,
            }
            for entry in session.entries
            if entry.kind != "audio"
        ],
        "unmatched": list(session.unmatched),
    }


def _where(path: str, archive: str | None) -> Json:
    if archive is None:
        return {"path": path, "entry": None}
    return {"path": archive, "entry": path}


def _file(file: MeasuredFile) -> Json:
    return {
        **_where(file.path, file.source.entry.archive),
        "sha256": file.facts.sha256,
        "audio_sha256": file.facts.audio_sha256,
        "role": file.role,
        "role_evidence": file.source.role_evidence,
        "song": file.source.song,
        "facts": encode_record(file.facts),
    }


def _set_facts(facts: SetFacts) -> Json:
    return {
        "duplicates": [list(group) for group in facts.duplicates],
        "pairs": [{"left": left, "right": right} for left, right in facts.pairs],
        "songs": [_song(song) for song in facts.songs],
        "null_tests": [null_test_json(test) for test in facts.null_tests],
        "untested_sums": [untested_sum_json(each) for each in facts.untested_sums],
        "mic_pairs": [mic_pair_json(pair) for pair in facts.mic_pairs],
        "unclear_mic_pairs": [
            {"reference": reference, "file": file} for reference, file in facts.unclear_mic_pairs
        ],
    }


def _song(song: SongFacts) -> Json:
    return {
        "song": song.song,
        "files": song.files,
        "sample_rates_hz": list(song.sample_rates_hz),
        "bit_depths": list(song.bit_depths),
        "sample_rate_hz": song.sample_rate_hz,
        "bit_depth": song.bit_depth,
        "start_samples": song.start_samples,
        "frames": song.frames,
        "roles": dict(song.roles),
    }


def finding_json(finding: Finding) -> Json:
    """Give one finding as plain values, its files by their inner names."""
    return _finding(finding, {})


def _finding(finding: Finding, archives: Archives) -> Json:
    files = files_of(finding)
    return {
        "check": finding.check,
        "severity": finding.severity,
        "file": None if finding.file is None else _dropped(finding.file, archives),
        "entry": None if finding.file is None else _entry(finding.file, archives),
        "files": _unique(_dropped(path, archives) for path in files),
        "entries": [path for path in files if _entry(path, archives)],
        "against": _unique(_dropped(path, archives) for path in finding.against),
        "against_entries": _unique(path for path in finding.against if _entry(path, archives)),
        "song": finding.song,
        "channel": finding.channel,
        "start_sample": finding.start_sample,
        "end_sample": finding.end_sample,
        "start_bar": finding.start_bar,
        "occurrences": _occurrences(finding),
        **_figure("found", finding.found),
        **_figure("required", finding.required),
        "unit": finding.unit,
        "message": finding.message,
        "advice": finding.advice,
        "repair": finding.repair,
        "waived_by": finding.waived_by,
        "waiver_reason": finding.waiver_reason,
    }


def _dropped(path: str, archives: Archives) -> str:
    """Name what was dropped: the zip for an entry of one, else the file itself."""
    return archives.get(path) or path


def _entry(path: str, archives: Archives) -> str | None:
    return path if archives.get(path) else None


def _unique(paths: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(paths))


def _occurrences(finding: Finding) -> Json | None:
    if finding.occurrences is None:
        return None
    return {
        "count": finding.occurrences.count,
        "worst": [_occurrence(spot) for spot in finding.occurrences.worst],
    }


def _occurrence(spot: Occurrence) -> Json:
    return {
        "channel": spot.channel,
        "start_sample": spot.start_sample,
        "end_sample": spot.end_sample,
    }


def _figure(name: str, value: float | int | str | None) -> Json:
    """Give a figure and the flag that tells an infinite one from one that is absent."""
    if not isinstance(value, float):
        return {name: value, f"is_{name}_infinite": False}
    rounded = round(value, FIGURE_DECIMALS) + 0.0 if math.isfinite(value) else None
    return {name: rounded, f"is_{name}_infinite": math.isinf(value)}


def plan_json(plan: Plan) -> Json:
    """Give the plan as plain values, operations with their parameters."""
    return {
        "outputs": [output_json(output) for output in plan.outputs],
        "documents": [{"source": each.source, "path": each.path} for each in plan.documents],
        "left_out": [{"path": each.path, "reason": each.reason} for each in plan.left_out],
        "repairs": [
            {"check": each.check, "file": each.file, "operation": each.operation}
            for each in plan.repairs
        ],
        "start_samples": dict(plan.start_samples),
        "start_references": {song: asdict(each) for song, each in plan.references.items()},
        "notes": list(plan.notes),
    }


def output_json(output: OutputPlan) -> Json:
    """Give one planned file as plain values."""
    kind = output.format
    format_: dict[str, Any] | None = None
    if kind is not None:
        format_ = {
            "container": kind.container,
            "encoding": kind.encoding,
            "sample_rate_hz": kind.sample_rate_hz,
            "channels": kind.channels,
            "bit_depth": kind.bit_depth,
        }
    return {
        "path": output.path,
        "sources": list(output.sources),
        "source_channels": list(output.source_channels),
        "role": output.role,
        "song": output.song,
        "format": format_,
        "frames": output.frames,
        "operations": [
            {
                "name": step.name,
                "parameters": dict(step.parameters),
                "reason": step.reason,
                "evidence": step.evidence,
            }
            for step in output.operations
        ],
        "dropped_chunks": list(output.dropped_chunks),
        "is_damaged": output.is_damaged,
    }
