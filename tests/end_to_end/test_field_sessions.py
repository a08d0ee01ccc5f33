"""Field sessions against their answer keys, measured by sox, ffmpeg, libebur128 and numpy."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from stemprep.app.check.inspect import inspect
from stemprep.model.report import Report
from stemprep.report import report_json
from tests.end_to_end import drops

Json = dict[str, Any]
NAMES = {
    "rate": "sample_rate_hz",
    "bits": "bit_depth",
    "channels": "channels",
    "frames": "frames",
}
TWO_DECIMALS = 0.0051
"""The keys' tools round to 0.01; half of that, and a little for a digit that sits on the edge."""


def _key(session: str) -> Json:
    key = json.loads((drops.SESSIONS / "keys" / f"{session}.json").read_text())
    assert isinstance(key, dict)
    return key


def _with_meter_filter(folder: Path, spec: str) -> Path:
    """The spec with the true-peak filter that the keys' meters use."""
    path = folder / f"{spec}-49.yaml"
    path.write_text(f"extends: {spec}\nmeasure:\n  true_peak_filter: hann-49\n")
    return path


@pytest.fixture(
    scope="module", params=["S01_tracking_clean", "S03a_mix_stems_null", "S07_clipping"]
)
def measured(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Json, Json]:
    session = drops.needs(request.param)
    spec = _with_meter_filter(tmp_path_factory.mktemp("spec"), "archive")
    return report_json(inspect(session, spec)), _key(request.param)


def test_facts_equal_the_keys_figures(measured: tuple[Json, Json]) -> None:
    told, key = measured
    facts = {file["path"]: file for file in told["files"]}
    assert set(facts) == set(key["measured"])
    for path, figures in key["measured"].items():
        ours = facts[path]["facts"]
        assert facts[path]["sha256"] == figures["sha256"]
        assert ours["true_peak_filter"] == "hann-49"
        for name, tool in (
            ("sample_peak_dbfs", "numpy_peak_dbfs"),
            ("sample_peak_dbfs", "sox_peak_dbfs"),
            ("rms_dbfs", "numpy_rms_dbfs"),
            ("loudness_lufs", "libebur128_lufs_i"),
            ("true_peak_dbtp", "libebur128_true_peak_dbtp"),
        ):
            if figures.get(tool) is not None:
                expected = pytest.approx(figures[tool], abs=TWO_DECIMALS)
                assert ours[name] == expected, (path, tool)
        if figures.get("ffmpeg_lufs_i") is not None:
            assert ours["loudness_lufs"] == pytest.approx(figures["ffmpeg_lufs_i"], abs=0.1)


def test_formats_equal_the_keys(measured: tuple[Json, Json]) -> None:
    told, key = measured
    for file in told["files"]:
        expected, facts = key["files"][file["path"]], file["facts"]
        for theirs, ours in NAMES.items():
            assert facts[ours] == expected[theirs], (file["path"], ours)
        assert facts["time_reference_samples"] == expected.get("bext_time_reference")


def _paths(entries: list[Json]) -> set[str]:
    return {
        path
        for entry in entries
        for path in ([entry["file"]] if isinstance(entry["file"], str) else entry["file"])
    }


@pytest.mark.parametrize("spec", ["archive", "overdub"])
def test_a_clean_session_has_no_fail_and_its_traps_are_no_errors(spec: str) -> None:
    """S01: snare bottom inverted, spill, a late room, bext behind the data: all normal."""
    report = inspect(drops.needs("S01_tracking_clean"), spec)
    assert report.passed
    traps = _paths(_key("S01_tracking_clean")["not_faults"])
    loud = [f for f in report.findings if f.severity != "note" and f.check != "split-pair"]
    assert not [f for f in loud if traps & {*f.files, f.file}]
    assert not [f for f in report.findings if f.severity == "fail"]


@pytest.fixture(scope="module")
def clipped() -> Report:
    return inspect(drops.needs("S07_clipping"), "mastering")


def test_every_clipped_file_is_found_with_its_runs(clipped: Report) -> None:
    key = _key("S07_clipping")
    facts = {file["path"]: file["facts"] for file in report_json(clipped)["files"]}
    found = {f.file for f in clipped.findings if f.check == "clipping" and f.severity != "note"}
    for fault in key["faults"]:
        if fault["kind"] != "inter_sample_over":
            assert fault["file"] in found, fault["kind"]
    for path, runs in key["clip_runs"].items():
        kind = "flat_tops" if "-1 dB" in path else "clip_runs"
        told = facts[path][kind]
        assert (told["count"], told["longest"]) == (runs["count"], runs["longest"]), path
        assert told["samples"] == runs["samples"]
        listed = [run[1:] for run in told["runs"]]
        assert listed[: len(runs["runs"])] == runs["runs"], "the key lists the first 200"
        assert {run[0] for run in told["runs"]} == {1}
    assert facts["Mix float overs.wav"]["samples_over_full_scale"] == 1428


def test_inter_sample_peaks_are_found_and_told_apart(clipped: Report) -> None:
    over = [f.check for f in clipped.findings if f.file == "Mix inter-sample overs.wav"]
    assert "true-peak" in over
    assert "clipping" not in over


def test_no_control_is_flagged_above_a_note(clipped: Report) -> None:
    controls = _paths(_key("S07_clipping")["not_faults"])
    assert len(controls) == 3
    for finding in clipped.findings:
        if finding.check in ("clipping", "sample-peak", "true-peak") and finding.severity != "note":
            assert finding.file not in controls, finding.message
