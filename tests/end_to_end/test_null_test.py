"""Stems against their mix, from a folder to the report; field sessions and cases where present."""

from __future__ import annotations

import json
import tarfile
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile

from stemprep.app.check.inspect import inspect
from stemprep.app.delivery.deliver import deliver
from stemprep.engine import InlineEngine
from stemprep.model.finding import Finding
from stemprep.model.report import Report
from stemprep.report import render_html, render_json, render_text, report_schema
from tests import signals

SHARED = Path(__file__).parents[3] / "shared"
needs_sessions = pytest.mark.skipif(
    not (SHARED / "sessions").is_dir(), reason="field sessions are not here"
)
needs_cases = pytest.mark.skipif(
    not (SHARED / "cases" / "cases.tar.gz").is_file(), reason="field cases are not here"
)


def told(report: Report) -> list[Finding]:
    return [each for each in report.findings if each.check == "null-test"]


def check(folder: Path, spec: str = "base") -> Report:
    return inspect(folder, spec, engine=InlineEngine())


def summed_peak_dbfs(stems: tuple[str, ...]) -> float:
    """Peak of the stems' sum, read by libsndfile (integers over 2^(N-1))."""
    folder = SHARED / "sessions/S03a_mix_stems_null"
    read = [soundfile.read(folder / stem, always_2d=True)[0] for stem in stems]
    return float(20 * np.log10(np.abs(sum(read, np.zeros((1, 2)))).max()))


@needs_sessions
def test_a_session_that_nulls_as_its_key_says() -> None:
    key = json.loads((SHARED / "sessions/keys/S03a_mix_stems_null.json").read_text())["null"]
    report = check(SHARED / "sessions/S03a_mix_stems_null")
    (test,) = report.set_facts.null_tests
    assert test.verdict == "word-length"
    assert test.residual_peak_dbfs == pytest.approx(key["residual_peak_dbfs"], abs=0.5)
    assert test.residual_rms_dbfs == pytest.approx(key["residual_rms_dbfs"], abs=0.1)
    assert set(test.stems) == set(key["stems"])
    assert test.sum_peak_dbfs == pytest.approx(summed_peak_dbfs(test.stems), abs=1e-9)
    assert not told(report)
    assert "add up to the mix: residual -128.9 dBFS peak" in " ".join(render_text(report).split())


@needs_sessions
def test_one_stem_half_a_decibel_up() -> None:
    key = json.loads((SHARED / "sessions/keys/S04a_null_gain.json").read_text())
    report = check(SHARED / "sessions/S04a_null_gain")
    (cause,) = report.set_facts.null_tests[0].causes
    assert (cause.kind, cause.file) == ("level", key["faults"][0]["file"])
    assert cause.gain_db == pytest.approx(key["faults"][0]["gain_db"], abs=0.005)
    (finding,) = told(report)
    assert (finding.severity, finding.file) == ("warn", key["faults"][0]["file"])
    assert "is 0.50 dB louder than its part in the mix" in finding.message


@needs_sessions
def test_one_stem_37_samples_late() -> None:
    key = json.loads((SHARED / "sessions/keys/S04b_null_delay.json").read_text())
    report = check(SHARED / "sessions/S04b_null_delay")
    (cause,) = report.set_facts.null_tests[0].causes
    assert (cause.kind, cause.file) == ("moved", key["faults"][0]["file"])
    assert cause.lag_samples == key["faults"][0]["delay_samples"]


@needs_cases
@pytest.mark.parametrize(
    ("folder", "named"), [("clean", None), ("squashed", "MIX.wav"), ("missing", "MIX.wav")]
)
def test_cases_of_stems_against_a_mix(folder: str, named: str | None, tmp_path: Path) -> None:
    with tarfile.open(SHARED / "cases" / "cases.tar.gz") as archive:
        members = [m for m in archive.getmembers() if f"c30_stems_vs_mix/{folder}/" in m.name]
        archive.extractall(tmp_path, members, filter="data")
    place = next(tmp_path.rglob(folder))
    report = check(place)
    assert [(each.severity, each.file) for each in told(report)] == (
        [] if named is None else [("warn", named)]
    )
    assert not any(each.repair for each in told(report))


def drop(folder: Path, factor: float = 1.0, sheet: str = "") -> Path:
    """Three stems, a mix that they add up to, a rough mix and a click; one stem may be louder."""
    stems = {
        name: np.round(signals.noise(peak_dbfs=-20, seconds=2, channels=2, seed=seed) * 2**23)
        / 2**23
        for seed, name in enumerate(("Drums", "Bass", "Keys"))
    }
    mix = sum(stems.values(), np.zeros_like(stems["Bass"]))
    signals.write_wav(folder / "Dawn MIX.wav", mix)
    signals.write_wav(folder / "Dawn rough mix.wav", mix * 0.5)
    signals.write_wav(folder / "Dawn Click.wav", signals.sine(1000, peak_dbfs=-9, seconds=2))
    for name, sound in stems.items():
        signals.write_wav(
            folder / "Stems" / f"Dawn {name}.wav", sound * (factor if name == "Bass" else 1.0)
        )
    if sheet:
        (folder / "session.yaml").write_text(sheet)
    return folder


def test_what_is_not_to_be_summed_is_left_out_and_said_so(tmp_path: Path) -> None:
    report = check(drop(tmp_path / "drop"))
    (test,) = report.set_facts.null_tests
    assert test.verdict == "exact"
    assert set(test.left_out) == {
        ("Dawn Click.wav", "click"),
        ("Dawn rough mix.wav", "rough-mix"),
    }
    assert "2 other files not summed" in " ".join(render_text(report).split())


@pytest.mark.parametrize(("processed", "severity"), [("true", "warn"), ("false", "fail")])
def test_the_sheet_decides_between_warn_and_fail(
    processed: str, severity: str, tmp_path: Path
) -> None:
    sheet = f"songs:\n  - title: Dawn\n    mix_bus_processed: {processed}\n"
    (finding,) = told(check(drop(tmp_path / "drop", 1.5, sheet)))
    assert (finding.severity, finding.file) == (severity, "Stems/Dawn Bass.wav")


@pytest.mark.parametrize(
    ("sheet", "evidence"),
    [("", "name"), ("songs:\n  - title: Dawn\n    reference_mix: Dawn MIX.wav\n", "sheet")],
)
def test_what_says_which_file_is_the_mix(sheet: str, evidence: str, tmp_path: Path) -> None:
    (test,) = check(drop(tmp_path / "drop", sheet=sheet)).set_facts.null_tests
    assert (test.reference, test.reference_by) == ("Dawn MIX.wav", evidence)


def test_json_and_page_tell_the_test(tmp_path: Path) -> None:
    report = check(drop(tmp_path / "drop", 1.5))
    document: dict[str, Any] = json.loads(render_json(report))
    jsonschema.validate(document, report_schema())
    (test,) = document["set_facts"]["null_tests"]
    assert test["causes"][0]["kind"] == "level"
    assert test["causes"][0]["gain_db"] == pytest.approx(3.5218, abs=0.001)
    assert "Residual of the null test over time" in render_html(report)


def test_a_delivery_is_judged_on_what_was_written(tmp_path: Path) -> None:
    """A packaged set that still does not add up is told once, by its sources' names."""
    report = deliver(drop(tmp_path / "drop", 1.5), "mastering", [tmp_path / "out"])
    assert report.package is not None
    (finding,) = told(report)
    assert finding.file == "Stems/Dawn Bass.wav"


@pytest.mark.parametrize(("bus", "severities"), [(0.0, []), (1.5, ["note"])])
def test_instrumental_and_a_cappella_are_held_against_the_mix(
    bus: float, severities: list[str], tmp_path: Path
) -> None:
    band = np.round(signals.noise(peak_dbfs=-12, seconds=2, channels=2) * 2**23) / 2**23
    voice = np.round(signals.pluck(peak_dbfs=-12, seconds=2, channels=2) * 2**23) / 2**23
    mix = np.tanh(bus * (band + voice)) / bus if bus else band + voice
    signals.write_wav(tmp_path / "Dawn MIX.wav", mix)
    signals.write_wav(tmp_path / "Dawn Instrumental.wav", band)
    signals.write_wav(tmp_path / "Dawn A Cappella.wav", voice)
    report = check(tmp_path)
    (test,) = report.set_facts.null_tests
    assert set(test.stems) == {"Dawn Instrumental.wav", "Dawn A Cappella.wav"}
    assert [each.severity for each in told(report)] == severities
