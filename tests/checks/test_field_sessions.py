"""Checks on recorded and rendered sessions with answer keys; skipped where they are missing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from stemprep.app.check.inspect import inspect
from stemprep.engine import InlineEngine
from stemprep.model.finding import Finding

SESSIONS = Path(__file__).parents[3] / "shared" / "sessions"
pytestmark = pytest.mark.skipif(not SESSIONS.is_dir(), reason="no field sessions at hand")


def findings(name: str, spec: str) -> tuple[Finding, ...]:
    return inspect(SESSIONS / name, spec, engine=InlineEngine()).findings


def key(name: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((SESSIONS / "keys" / f"{name}.json").read_text())
    return content


def test_every_clipped_file_and_no_control() -> None:
    answers = key("S07_clipping")
    found = [
        f for f in findings("S07_clipping", "mastering") if f.check in ("clipping", "true-peak")
    ]
    assert {f.file for f in found} == {fault["file"] for fault in answers["faults"]}
    by_file = {f.file: f for f in found}
    for fault in answers["faults"]:
        if fault["kind"] == "hard_clip":
            occurrences = by_file[fault["file"]].occurrences
            assert occurrences is not None
            assert occurrences.count == fault["runs"]
        elif fault["kind"] == "float_over":
            assert by_file[fault["file"]].found == fault["peak_dbfs"]


def test_a_clean_tracking_session_has_notes_at_most() -> None:
    assert {f.severity for f in findings("S01_tracking_clean", "archive")} <= {"note"}
