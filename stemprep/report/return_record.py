"""What came back of a delivery, as JSON."""

from __future__ import annotations

from stemprep.model.reconciliation import (
    NewFile,
    OriginalFate,
    Reconciliation,
    Region,
    ReturnLine,
)
from stemprep.model.record_codec import Json, rounded
from stemprep.model.strict_json import dumps
from stemprep.report.records import finding_json, output_json
from stemprep.report.return_steps import advice_of

SCHEMA_VERSION = 1
CONFIDENCE_DECIMALS = 3
RATIO_DECIMALS = 8


def reconciliation_json(result: Reconciliation) -> Json:
    """Give all of it as plain values for strict JSON; samples as the records say."""
    returned = result.returned
    return {
        "schema_version": SCHEMA_VERSION,
        "stemprep_version": result.stemprep_version,
        "spec": result.spec_name,
        "package": returned.package,
        "delivery": returned.number,
        "returned": returned.returned,
        "originals": [_fate_json(fate) for fate in returned.originals],
        "new_files": [_new_json(file, result) for file in returned.new_files],
        "recording_offset": None
        if returned.offset is None
        else {"samples": returned.offset.samples, "files": list(returned.offset.files)},
        "given_back": list(returned.given_back),
        "list_file": returned.list_file,
        "listed_not_there": list(returned.not_there),
        "findings": [finding_json(finding) for finding in result.findings],
        "repaired": [finding_json(finding) for finding in result.repaired],
        "accepted": result.accepted,
        "taken": [{"file": each.file, "output": output_json(each.output)} for each in result.taken],
        "notes": list(result.notes),
    }


def _fate_json(fate: OriginalFate) -> Json:
    return {
        "file": fate.file,
        "source": fate.source,
        "song": fate.song,
        "returned_as": fate.returned_as,
        "status": fate.status,
        "matched": fate.matched,
        "is_renamed": fate.is_renamed,
        "copies": list(fate.copies),
        "ordered": list(fate.ordered),
        "is_another_recording": fate.is_another,
        "told_sample_rate_hz": fate.told_rate_hz,
        "header_words": list(fate.header_words),
        "lossy_copies": list(fate.lossy_copies),
        "sample_rate_hz": None if fate.format is None else fate.format.sample_rate_hz,
        "regions": [_region_json(region) for region in fate.regions],
    }


def _region_json(region: Region) -> Json:
    return {
        "start_sample": region.start_sample,
        "end_sample": region.end_sample,
        "kind": region.kind,
        "gain_db": rounded(region.gain_db),
        "moved_samples": region.moved_samples,
        "words": region.words,
        "is_added_silence": region.is_added_silence,
    }


def _new_json(file: NewFile, result: Reconciliation) -> Json:
    return {
        "file": file.file,
        "song": file.song,
        "role": file.role,
        "sample_rate_hz": file.format.sample_rate_hz,
        "bit_depth": file.format.bit_depth,
        "encoding": file.format.encoding,
        "channels": file.format.channels,
        "frames": file.frames,
        "session_sample_rate_hz": None
        if file.session_format is None
        else file.session_format.sample_rate_hz,
        "start_sample": file.start_sample,
        "late_samples": file.late_samples,
        "placed_by": file.placed_by,
        "evidence": file.evidence,
        "confidence": rounded(file.confidence, CONFIDENCE_DECIMALS),
        "derived_from": file.derived_from,
        "leak_db": rounded(file.leak_db),
        "use": file.use,
        "listed": None if file.listed is None else _line_json(file.listed),
        "speed": None
        if file.speed is None
        else {
            "ratio": round(file.speed.ratio, RATIO_DECIMALS),
            "error_ppm": rounded(file.speed.error_ppm),
            "cause": file.speed.cause,
            "evidence": file.speed.evidence,
        },
        "advice": advice_of(file, result.findings),
    }


def _line_json(line: ReturnLine) -> Json:
    return {
        "part": line.part,
        "player": line.player,
        "take": line.take,
        "microphone": line.microphone,
        "printed_with": line.printed_with,
        "notes": line.notes,
    }


def render_reconciliation_json(result: Reconciliation) -> str:
    """Write all of it as strict JSON text."""
    return dumps(reconciliation_json(result))
