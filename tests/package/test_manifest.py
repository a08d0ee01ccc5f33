"""manifest.json and manifest.csv: RFC 8259 and RFC 4180, read by the standard library."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
from pathlib import Path

import jsonschema
import pytest

from stemprep.model.finding import Finding
from stemprep.model.package import PackageContent, Predecessor, SecondReading
from stemprep.model.plan import LeftOut, StartReference
from stemprep.model.sheet import SessionSheet, SongNote, TempoMark, TrackNote
from stemprep.package import (
    delivered_files,
    made_with,
    manifest_csv,
    manifest_json,
    manifest_schema,
    open_staging,
)
from tests.package import records


@pytest.fixture
def content(tmp_path: Path) -> PackageContent:
    with open_staging(tmp_path, "job") as staging:
        plain = records.content(staging)
    sheet = SessionSheet(
        artist="The Tidal Clerks",
        songs=(SongNote(title="Lantern", tempo_map=(TempoMark(bar=1, tempo_bpm=92.5),)),),
        tracks=(TrackNote(pattern="*.wav", pan=-0.5),),
    )
    waived = Finding(
        check="clipping",
        severity="fail",
        message="meant to sound so",
        advice="",
        file="Sources/stems/Bass.wav",
        found=-math.inf,
        required=0,
        waived_by="QX",
        waiver_reason="distorted on purpose",
    )
    silent = dataclasses.replace(plain.files[0], after=records.facts(-math.inf))
    dead = dataclasses.replace(
        plain.files[1],
        after=records.unreadable_facts(),
        made_by_us=True,
        before=(),
        second_reading=SecondReading(meter="pyloudnorm 0.1.1", loudness_lufs=-20.1),
    )
    return dataclasses.replace(
        plain,
        files=(silent, dead, plain.files[2]),
        sheet=sheet,
        waived=(waived,),
        repaired=(dataclasses.replace(waived, check="bit-depth", found="float"),),
        left_out=(LeftOut(path="talk.wav", reason="talkback stays in the house"),),
        predecessor=Predecessor(name="lantern_delivery-0", number=0, tag_manifest_sha256="9" * 64),
        start_samples={"Lantern": 172_800_000, "": None},
        references={"Lantern": StartReference(rate_hz=48_000, unknown="nobody says")},
    )


def refuse_constant(name: str) -> None:
    raise AssertionError(f"{name} is no JSON")


def test_manifest_meets_its_schema(content: PackageContent) -> None:
    jsonschema.Draft202012Validator.check_schema(manifest_schema())
    manifest = json.loads(manifest_json(content), parse_constant=refuse_constant)
    jsonschema.validate(manifest, manifest_schema(), jsonschema.Draft202012Validator)


@pytest.mark.parametrize("path", [("files", 0, "sha256"), ("package", "name"), ("made_with",)])
def test_schema_refuses_a_manifest_that_lacks_something(
    content: PackageContent, path: tuple[str | int, ...]
) -> None:
    manifest = json.loads(manifest_json(content))
    inner = manifest
    for step in path[:-1]:
        inner = inner[step]
    del inner[path[-1]]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(manifest, manifest_schema(), jsonschema.Draft202012Validator)


def test_manifest_tells_where_from_and_what_was_done(content: PackageContent) -> None:
    manifest = json.loads(manifest_json(content))
    assert [file["path"] for file in manifest["files"]] == [
        "data/mix/Lantern.wav", "data/stems/Bass.wav", "data/stems/Voice.wav",
    ]  # fmt: skip
    bass = manifest["files"][1]
    assert bass["sources"][0]["path"] == "Sources/stems/Bass.wav"
    assert bass["sources"][0]["facts"]["sample_peak_dbfs"] == -6.0206
    assert bass["facts"]["sample_peak_dbfs"] is None
    assert bass["facts"]["is_sample_peak_dbfs_infinite"] is True
    assert bass["operations"][0]["parameters"] == {"gain_db": -3.0}
    assert bass["operations"][0]["reason"] == "ordered in the sheet"
    voice = manifest["files"][2]
    assert voice["made_by_us"] is True
    assert voice["sources"][0]["sha256"] is None
    assert manifest["waivers"][0]["waived_by"] == "QX"
    assert manifest["waivers"][0]["audio_sha256"] == "ab" * 32
    assert manifest["waivers"][0]["is_found_infinite"] is True
    assert manifest["package"]["predecessor"]["number"] == 0
    assert manifest["sheet"]["songs"][0]["tempo_map"][0]["tempo_bpm"] == 92.5
    assert [each["source"] for each in manifest["documents"]] == ["notes.txt"]


def test_nothing_of_the_place_shows(content: PackageContent, tmp_path: Path) -> None:
    text = manifest_json(content) + manifest_csv(content)
    assert str(tmp_path) not in text
    assert "incoming" not in text
    assert content.bagging_date not in text


def test_order_of_files_does_not_matter(content: PackageContent) -> None:
    turned = dataclasses.replace(
        content, files=content.files[::-1], documents=content.documents[::-1]
    )
    assert manifest_json(turned) == manifest_json(content)
    assert manifest_csv(turned) == manifest_csv(content)


def test_csv_reads_back(content: PackageContent) -> None:
    text = manifest_csv(content)
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [row["path"] for row in rows] == [
        "data/mix/Lantern.wav", "data/stems/Bass.wav", "data/stems/Voice.wav",
    ]  # fmt: skip
    assert rows[0]["sample_peak_dbfs"] == "-6.0206"
    assert rows[1]["sample_peak_dbfs"] == "-inf"
    assert rows[1]["waived"] == "clipping"
    assert rows[2]["made_by_us"] == "yes"
    assert text.count("\r\n") == 4
    assert "\n" not in text.replace("\r\n", "")


@pytest.mark.parametrize(
    "lead", ["=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20"]
)
def test_no_cell_is_a_formula(content: PackageContent, lead: str) -> None:
    """The leads that spreadsheets read as formulas (common practice, no source)."""
    evil = f"{lead}cmd|' /C calc'!A0"
    plan = dataclasses.replace(content.files[0].plan, song=evil, sources=(evil,))
    files = (dataclasses.replace(content.files[0], plan=plan),)
    text = manifest_csv(dataclasses.replace(content, files=files))
    row = next(csv.DictReader(io.StringIO(text, newline="")))
    assert row["song"] == row["sources"] == f"'{evil}"


WANTED = {"data/a.wav", *(f"data/{path}" for path in records.AUDIO)}


def test_what_was_delivered(tmp_path: Path) -> None:
    package = records.delivered(tmp_path)
    files = delivered_files(package, WANTED)
    hashes = {path: file.audio_sha256 for path, file in files.items()}
    assert {path: file.size_bytes for path, file in files.items()} == {
        f"data/{path}": len(content) for path, content in records.AUDIO.items()
    }
    assert {(file.frames, file.sample_rate_hz, file.channels) for file in files.values()} == {
        (96_000, 48_000, 2)
    }
    assert hashes == dict.fromkeys((f"data/{path}" for path in records.AUDIO), "ab" * 32)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\xff",
        "path\ndata/a.wav",
        "a,b\n1,2,3,4\n",
        "path,audio_sha256\n" + "x" * 200_000,
        "path,size_bytes\ndata/a.wav,-1\n",
        "path,size_bytes\ndata/a.wav," + "9" * 5_000 + "\n",
    ],
)
def test_what_was_delivered_by_a_hostile_manifest(tmp_path: Path, text: str) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data/manifest.csv").write_bytes(text.encode("latin-1"))
    files = delivered_files(tmp_path, WANTED).values()
    assert all(file.audio_sha256 is None and file.size_bytes is None for file in files)


def test_what_was_delivered_through_a_link(tmp_path: Path) -> None:
    package = records.delivered(tmp_path)
    (tmp_path / "elsewhere.csv").write_bytes((package / "data/manifest.csv").read_bytes())
    (package / "data/manifest.csv").unlink()
    (package / "data/manifest.csv").symlink_to(tmp_path / "elsewhere.csv")
    assert delivered_files(package, WANTED) == {}


def test_made_with_names_what_shapes_bytes() -> None:
    assert set(made_with()) == {"numpy", "pedalboard", "pyloudnorm", "soundfile", "soxr"}


def test_parameters_are_kept_exactly(content: PackageContent) -> None:
    """They fully determine a step: a DC offset of -110 dBFS would round to nothing."""
    file = content.files[0]
    step = dataclasses.replace(file.plan.operations[0], parameters={"offset_1": 3.2e-06})
    plan = dataclasses.replace(file.plan, operations=(step,))
    changed = dataclasses.replace(file, plan=plan)
    told = json.loads(manifest_json(dataclasses.replace(content, files=(changed,))))
    assert told["files"][0]["operations"][0]["parameters"] == {"offset_1": 3.2e-06}
