"""JSON: the published schema holds, the contract's names are there, the text is strict."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable

import jsonschema
import pytest

from stemprep.model.facts import SetFacts
from stemprep.model.record_codec import Json
from stemprep.model.report import Report
from stemprep.report import render_json, report_json, report_schema
from tests.report import factory

REPORTS = [factory.small, factory.three_songs, factory.hostile, factory.delivered]


def zipped() -> Report:
    files = [
        factory.measured_file(path, archive="drop.zip") for path in ("Stems/A.wav", "Stems/B.wav")
    ]
    findings = [
        factory.clipping("Stems/A.wav", 3, 9),
        factory.finding(
            "length", "warn", None, files=("Stems/A.wav", "Stems/B.wav"), against=("Stems/B.wav",)
        ),
    ]
    return factory.report(
        files,
        findings,
        verdict="fail",
        archive="drop.zip",
        others=[factory.entry("Notes.txt", "document", archive="drop.zip")],
        set_facts=SetFacts(duplicates=(("Stems/A.wav", "Stems/B.wav"),)),
    )


def refuse_constant(name: str) -> float:
    raise AssertionError(f"{name} is not JSON (RFC 8259, section 6)")


@pytest.mark.parametrize("make", [*REPORTS, zipped])
def test_every_report_fulfils_the_schema(make: Callable[[], Report]) -> None:
    schema = report_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    text = render_json(make())
    parsed = json.loads(text, parse_constant=refuse_constant)
    jsonschema.Draft202012Validator(schema).validate(parsed)
    assert text.encode("utf-8").decode("utf-8") == text


SPOILS: dict[str, Callable[[Json], object]] = {
    "verdict of another list": lambda value: value.update(verdict="green"),
    "severity of another list": lambda value: value["findings"][0].update(severity="error"),
    "finding without against": lambda value: value["findings"][0].pop("against"),
    "peak without its filter": lambda value: value["files"][0]["facts"].pop("true_peak_filter"),
    "hash that is none": lambda value: value["files"][0].update(sha256="short"),
    "a grade": lambda value: value.update(grade=7),
}


@pytest.mark.parametrize("spoil", SPOILS.values(), ids=SPOILS)
def test_schema_refuses_what_the_contract_excludes(spoil: Callable[[Json], object]) -> None:
    validator = jsonschema.Draft202012Validator(report_schema())
    value = report_json(factory.small())
    assert validator.is_valid(value)
    spoil(value)
    assert not validator.is_valid(value)


def test_contract_names_stand_in_files_and_findings() -> None:
    """Names from the project's contract for scripts."""
    value = report_json(factory.three_songs())
    assert set(value["files"][0]) >= {"path", "sha256", "audio_sha256", "role", "song", "facts"}
    assert set(value["findings"][0]) >= {
        "check", "severity", "file", "files", "against", "channel", "start_sample", "end_sample",
        "start_bar", "occurrences", "found", "required", "unit", "message", "advice", "repair",
        "waived_by",
    }  # fmt: skip


def test_order_and_values_survive() -> None:
    report = factory.three_songs()
    value = report_json(report)
    assert [each["check"] for each in value["findings"]] == [f.check for f in report.findings]
    clipped = value["findings"][1]
    assert clipped["occurrences"]["count"] == 12
    assert len(clipped["occurrences"]["worst"]) == 10
    assert (clipped["found"], clipped["required"], clipped["unit"]) == (41, 2, "samples")


def test_infinity_is_null_with_its_flag() -> None:
    silent = next(
        each
        for each in report_json(factory.three_songs())["findings"]
        if each["check"] == "silent-file"
    )
    assert (silent["found"], silent["is_found_infinite"]) == (None, True)
    assert (silent["required"], silent["is_required_infinite"]) == (-80.0, False)


def test_not_a_number_is_null_and_not_infinite() -> None:
    base = factory.small()
    broken = dataclasses.replace(base.findings[0], found=math.nan)
    value = report_json(dataclasses.replace(base, findings=(broken,)))
    assert (value["findings"][0]["found"], value["findings"][0]["is_found_infinite"]) == (
        None,
        False,
    )


def test_zip_and_entry_are_told_apart() -> None:
    value = report_json(zipped())
    assert (value["files"][0]["path"], value["files"][0]["entry"]) == ("drop.zip", "Stems/A.wav")
    clipped, length = value["findings"]
    assert (clipped["file"], clipped["entry"]) == ("drop.zip", "Stems/A.wav")
    assert (length["file"], length["files"]) == (None, ["drop.zip"])
    assert length["entries"] == ["Stems/A.wav", "Stems/B.wav"]
    assert length["against_entries"] == ["Stems/B.wav"]
    assert value["set_facts"]["duplicates"] == [["Stems/A.wav", "Stems/B.wav"]]
    other = value["session"]["other_entries"][0]
    assert (other["path"], other["entry"]) == ("drop.zip", "Notes.txt")


def test_no_absolute_place_of_the_drop() -> None:
    for make in REPORTS:
        assert "/somewhere/private" not in render_json(make())


def test_same_report_same_bytes() -> None:
    assert render_json(factory.three_songs()) == render_json(factory.three_songs())
