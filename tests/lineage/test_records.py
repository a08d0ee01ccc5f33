"""What a manifest tells comes back as it was written; what is no manifest is refused in words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stemprep.errors import DeliveryError, SpecError
from stemprep.lineage import parse_manifest
from stemprep.model.package import Predecessor
from stemprep.package import manifest_json, open_staging, read_manifest
from stemprep.spec import load_sheet
from tests.package import records

SHEET = b"""\
artist: The Quillmoor Lantern Band
title: Slow Ferry Home
unreleased: true
songs:
  - title: Low Water
    tempo_map:
      - {bar: 1, tempo_bpm: 96.5, meter: 3/4, ramp: true}
      - {bar: 9, tempo_bpm: 120}
    bar_1: {timecode: "01:00:08:00", frame_rate: "25"}
    sections: [{name: Chorus, bar: 9}]
tracks:
  - file: "stems/Bass*.wav"
    pan: -30
    intended: [distorted]
    order: {gain_db: -1.5, invert_polarity: true}
waivers:
  - {check: clipping, file: Gtr.wav, reason: meant so, initials: MK, date: 2026-03-14}
"""


@pytest.fixture
def text(tmp_path: Path) -> str:
    before = Predecessor(name="lantern_1", number=1, tag_manifest_sha256="ab" * 32)
    with open_staging(tmp_path, "job") as staging:
        return manifest_json(
            records.content(
                staging, sheet=load_sheet(SHEET, "session.yaml"), predecessor=before, delivery=2
            )
        )


def test_what_was_written_comes_back(text: str) -> None:
    manifest = parse_manifest(text, "lantern_2")
    assert manifest.sheet == load_sheet(SHEET, "session.yaml")
    assert (manifest.delivery, manifest.predecessor and manifest.predecessor.number) == (2, 1)
    assert [file.path for file in manifest.files] == sorted(records.AUDIO)
    bass = next(file for file in manifest.files if file.path == "stems/Bass.wav")
    assert bass.sources[0].path == "Sources/stems/Bass.wav"
    assert [step.name for step in bass.operations] == ["gain"]
    assert (bass.whole("sample_rate_hz"), bass.whole("frames")) == (48_000, 96_000)
    assert bass.figure("sample_peak_dbfs") == pytest.approx(-6.0206, abs=1e-4)
    assert [document.source for document in manifest.documents] == ["notes.txt"]


@pytest.mark.parametrize("broken", ["", "[]", "{}", "[" * 100_000, '{"package": 1}'])
def test_what_is_no_manifest_is_refused(broken: str) -> None:
    with pytest.raises(DeliveryError, match=r"manifest\.json"):
        parse_manifest(broken, "lantern_2")


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("path", "/etc/passwd"),
        ("sha256", "00"),
        ("role", "king"),
        ("size_bytes", "1"),
        ("facts", 1),
    ],
)
def test_a_malformed_file_is_named(text: str, field: str, value: object) -> None:
    content = json.loads(text)
    content["files"][1][field] = value
    with pytest.raises(DeliveryError, match=rf"files\[1\].*{field}|files\[1\]"):
        parse_manifest(json.dumps(content), "lantern_2")


@pytest.mark.parametrize(
    "sheet", [{"tracks": [{"pattern": "../x"}]}, {"delivery": "x"}, {"extends": "base"}]
)
def test_a_sheet_may_say_no_more_than_a_dropped_one(text: str, sheet: dict[str, object]) -> None:
    content = json.loads(text) | {"sheet": sheet}
    with pytest.raises(SpecError, match="lantern_2: sheet"):
        parse_manifest(json.dumps(content), "lantern_2")


def test_the_text_is_read_from_a_package(tmp_path: Path) -> None:
    package = records.delivered(tmp_path)
    assert parse_manifest(read_manifest(package), package.name).name == records.NAME
    with pytest.raises(DeliveryError, match="not there"):
        read_manifest(tmp_path / "nothing")
