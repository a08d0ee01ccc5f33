"""Field cases of the containers that are not RIFF; skipped where the shared folder is missing."""

from __future__ import annotations

import io
import json
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stemprep.containers import DecodingFault, read_blocks, read_header
from stemprep.model.header import Header, HeaderFault

CASES = Path(__file__).parents[3] / "shared" / "cases"
COVERED = ("c09", "c10", "c11", "c13", "c14")

needs_cases = pytest.mark.skipif(not CASES.is_dir(), reason="the shared field cases are missing")


@pytest.fixture(scope="module")
def contents() -> dict[str, bytes]:
    with tarfile.open(CASES / "cases.tar.gz") as archive:
        members = [m for m in archive if m.isfile() and Path(m.name).parts[1][:3] in COVERED]
        return {
            member.name.split("/", 1)[1]: archive.extractfile(member).read()  # type: ignore[union-attr]
            for member in members
        }


def listed() -> Iterator[Any]:
    """Every file of these cases with the checks that decide it."""
    if not CASES.is_dir():
        return
    for case in json.loads((CASES / "cases.json").read_text())["cases"]:
        if case["id"].startswith(COVERED):
            for file in case["files"]:
                yield pytest.param(file, case["asks"], id=file["path"])


def judged(content: bytes, name: str) -> tuple[Header, list[HeaderFault], list[np.ndarray]]:
    """Header, all faults (those of decoding too) and what was decoded, full scale 1.0."""
    stream = io.BytesIO(content)
    header = read_header(stream, len(content), name)
    told, blocks = list(header.faults), []
    try:
        for block in read_blocks(stream, header, lambda _: None):
            blocks.append(block.samples)
    except DecodingFault as stop:
        told.append(stop.fault)
    return header, told, blocks


@needs_cases
@pytest.mark.parametrize(("file", "asks"), list(listed()))
def test_a_case_is_decided_by_its_faults(
    file: dict[str, Any], asks: list[str], contents: dict[str, bytes]
) -> None:
    header, told, blocks = judged(contents[file["path"]], file["path"])
    severities = {fault.severity for fault in told if fault.check in asks}
    match file["expectation"]:
        case "accept":
            assert severities <= {"note"}
        case "flag":
            assert "warn" in severities
        case "reject":
            assert "fail" in severities
        case other:
            pytest.fail(f"unknown expectation {other}")
    facts = file["facts"]
    if file["expectation"] != "reject":
        assert sum(block.shape[1] for block in blocks) == header.frames == facts["frames"]
        assert header.format is not None
        assert header.format.sample_rate_hz == facts["sample_rate"]
        if "bits" in facts:
            assert header.format.bit_depth == int(str(facts["bits"]).removeprefix("float"))


@needs_cases
def test_all_spellings_of_one_sound_decode_to_it(contents: dict[str, bytes]) -> None:
    """Swapped bytes would pass every level check: compare with the WAV among them."""
    sounds = {
        path: np.concatenate(judged(content, path)[2], axis=1)
        for path, content in contents.items()
        if path.startswith("c10")
    }
    wav = sounds["c10_aiff_c/wav_named.aif"]
    assert len(sounds) == 6
    for path, sound in sounds.items():
        step = 2.0**-15 if "16" in path else 2.0**-23
        assert np.abs(sound - wav).max() <= step, path


@needs_cases
@pytest.mark.parametrize(
    ("name", "at"), [("one_bit", 20_480), ("hole_2k", 20_480), ("cut_60", 28_672)]
)
def test_damage_inside_flac_is_told_with_its_place(
    name: str, at: int, contents: dict[str, bytes]
) -> None:
    """Blocks of 4096 samples; the faults lie in the sixth and the eighth."""
    content = contents[f"c13_flac_damaged_middle/{name}.flac"]
    _, told, _ = judged(content, f"{name}.flac")
    assert [fault.start_sample for fault in told if fault.severity == "fail"] == [at]


@needs_cases
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("vox_mp3", "MPEG layer III"),
        ("keys_ogg", "Ogg Vorbis"),
        ("gtr_mp3_in_riff", "MPEG layer III"),
        ("bass_m4a", "MP4/M4A"),
    ],
)
def test_lossy_content_is_named(name: str, words: str, contents: dict[str, bytes]) -> None:
    _, told, blocks = judged(contents[f"c14_lossy_in_disguise/{name}.wav"], f"{name}.wav")
    assert [(fault.check, fault.severity) for fault in told] == [("lossy-source", "fail")]
    assert words in told[0].message
    assert blocks == []
