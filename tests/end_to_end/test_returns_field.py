"""The field session of an overdub return against its answer key, from drop to the next delivery.

The key has samples, gains and lags as ffmpeg, soundfile and a correlation of its own confirmed
them; where a file must stand is held here by plain correlation.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import bagit
import numpy as np
import pytest
import soundfile
import soxr

from stemprep.app.delivery.deliver import deliver
from stemprep.app.returns.accept import Acceptance, accept
from stemprep.app.returns.reconcile import reconcile
from stemprep.model.reconciliation import Reconciliation
from stemprep.report import reconciliation_json
from tests.end_to_end import drops, returns

SESSION = "S05_overdub_return"
LATE = "OD Clean Gtr.wav"
Json = dict[str, Any]


@pytest.fixture(scope="module")
def session() -> Path:
    return drops.needs(SESSION)


@pytest.fixture(scope="module")
def key(session: Path) -> Json:
    content = json.loads((session.parent / "keys" / f"{SESSION}.json").read_text())
    assert isinstance(content, dict)
    return content


@pytest.fixture(scope="module")
def package(session: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    report = deliver(session / "sent", "overdub", [tmp_path_factory.mktemp("sent")])
    assert report.package is not None
    return Path(report.package)


@pytest.fixture(scope="module")
def told(session: Path, package: Path) -> Reconciliation:
    return reconcile(session / "returned", package)


@pytest.fixture(scope="module")
def record(told: Reconciliation) -> Json:
    return reconciliation_json(told)


def faults(key: Json, kind: str) -> list[Json]:
    return [fault for fault in key["faults"] if fault["kind"] == kind]


def inner(path: str) -> str:
    """A path of the key below its own folder."""
    return path.split("/", 1)[1]


def test_every_original_is_told_as_the_key_has_it(record: Json, key: Json) -> None:
    expected = {inner(path): "identical" for path in key["files"] if path.startswith("sent/")}
    expected |= {inner(fault["original"]): "changed" for fault in faults(key, "original_modified")}
    expected |= {inner(fault["file"]): "missing" for fault in faults(key, "original_not_returned")}
    renamed = {}
    for trap in key["not_faults"]:
        if trap["kind"] == "header_changed_audio_same":
            expected[inner(trap["original"])] = "header-changed"
        if trap["kind"] == "renamed_same_bytes":
            renamed[inner(trap["original"])] = inner(trap["file"])
    assert {each["source"]: each["status"] for each in record["originals"]} == expected
    assert {
        each["source"]: each["returned_as"] for each in record["originals"] if each["is_renamed"]
    } == renamed


def test_the_edit_is_exact(record: Json, key: Json) -> None:
    (fault,) = faults(key, "original_modified")
    (original,) = (each for each in record["originals"] if each["status"] == "changed")
    assert original["returned_as"] == inner(fault["file"])
    (region,) = original["regions"]
    assert region["kind"] == "gain"
    assert [region["start_sample"], region["end_sample"]] == fault["samples"]
    assert region["gain_db"] == pytest.approx(fault["gain_db"], abs=0.05)


def test_new_files_lie_where_the_key_has_them(record: Json, key: Json) -> None:
    found = {each["file"]: each for each in record["new_files"]}
    assert set(found) == {inner(path) for path in key["new_tracks"]}
    for path, track in key["new_tracks"].items():
        file = found[inner(path)]
        assert file["start_sample"] == track["start_in_session_samples"]
        assert file["late_samples"] == pytest.approx(track["error_samples"], abs=4)
        assert file["sample_rate_hz"] == key["files"][path]["rate"]


def test_nothing_is_found_that_is_no_fault(record: Json, key: Json) -> None:
    counting = [each for each in record["findings"] if each["severity"] != "note"]
    blamed = {file for finding in counting for file in finding["files"]}
    assert blamed == {
        inner(fault["file"]) for fault in key["faults"] if fault["kind"] != "original_not_returned"
    }
    spared = set()
    for trap in key["not_faults"]:
        files = trap["file"] if isinstance(trap["file"], list) else [trap["file"]]
        spared |= {inner(file) for file in files}
    assert blamed.isdisjoint(spared)


def test_the_next_delivery_has_every_new_file_on_the_right_sample(
    session: Path, key: Json, package: Path, tmp_path: Path
) -> None:
    order = Acceptance(destinations=(tmp_path / "next",), moves=(LATE,))
    result = accept(session / "returned", package, order)
    assert result.accepted is not None, [finding.message for finding in result.findings]
    accepted = Path(result.accepted)
    assert bagit.Bag(str(accepted)).is_valid()  # RFC 8493 by its reference implementation
    files = returns.manifest_of(accepted)["files"]
    by_source = {source["path"]: file["path"] for file in files for source in file["sources"]}
    for path, track in key["new_tracks"].items():
        sound, rate_hz = soundfile.read(accepted / by_source[inner(path)])
        taken, own_hz = soundfile.read(session / path)
        assert rate_hz == 48_000
        if own_hz != rate_hz:
            taken = soxr.resample(taken, own_hz, rate_hz)
        assert returns.lag_of(sound, taken) == track["true_start"]
        if own_hz == rate_hz:
            start = track["true_start"]
            room = min(len(taken), len(sound) - start)
            assert np.array_equal(sound[start : start + room], taken[:room])
    for file in returns.manifest_of(package)["files"]:
        if not file["made_by_us"]:
            content = (accepted / file["path"]).read_bytes()
            assert content == (package / file["path"]).read_bytes()
