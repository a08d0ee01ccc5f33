"""Field cases and sessions with known answers; skipped where the shared folder is missing."""

from __future__ import annotations

import io
import json
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.containers.riff_builder import frames_read, header_of

SHARED = Path(__file__).parents[3] / "shared"
CASES = SHARED / "cases"
SESSION = SHARED / "sessions" / "S01_tracking_clean"
COVERED = ("c01", "c03", "c04", "c09", "c15")

needs_cases = pytest.mark.skipif(not CASES.is_dir(), reason="the shared field cases are missing")
needs_session = pytest.mark.skipif(not SESSION.is_dir(), reason="the shared session is missing")


@pytest.fixture(scope="module")
def contents() -> dict[str, bytes]:
    with tarfile.open(CASES / "cases.tar.gz") as archive:
        members = [
            m for m in archive if m.isfile() and Path(m.name).parts[1][:3] in (*COVERED, "c06")
        ]
        return {
            member.name.split("/", 1)[1]: archive.extractfile(member).read()  # type: ignore[union-attr]
            for member in members
        }


def listed(*cases: str) -> Iterator[Any]:
    """Every file of these cases with the checks that decide it."""
    if not CASES.is_dir():
        return
    for case in json.loads((CASES / "cases.json").read_text())["cases"]:
        if case["id"].startswith(cases):
            for file in case["files"]:
                yield pytest.param(file, case["asks"], id=file["path"])


@needs_cases
@pytest.mark.parametrize(("file", "asks"), list(listed(*COVERED)))
def test_a_case_is_decided_by_its_faults(
    file: dict[str, Any], asks: list[str], contents: dict[str, bytes]
) -> None:
    content = contents[file["path"]]
    header = header_of(content, file["path"])
    told = [fault for fault in header.faults if fault.check in asks]
    severities = {fault.severity for fault in told}
    match file["expectation"]:
        case "accept":
            assert severities <= {"note"}
        case "warn":
            assert "warn" in severities
            assert "fail" not in severities
        case "reject":
            assert "fail" in severities
        case "repair-offered":
            assert severities & {"warn", "fail"}
            assert any(fault.repair for fault in told)
        case other:
            pytest.fail(f"unknown expectation {other}")
    frames = file["facts"].get("frames_on_disk", file["facts"].get("frames"))
    if frames is not None:
        assert header.frames == frames_read(content) == frames
    if "header_frames" in file["facts"]:
        assert header.declared_frames == file["facts"]["header_frames"]


@needs_cases
@pytest.mark.parametrize(("file", "asks"), list(listed("c06")))
def test_resolution_claims(
    file: dict[str, Any], asks: list[str], contents: dict[str, bytes]
) -> None:
    header = header_of(contents[file["path"]])
    assert header.faults == ()
    assert header.format is not None
    assert header.format.container_bits == file["facts"]["container_bits"]
    assert header.format.bit_depth == file["facts"].get("valid_bits", 24)
    assert header.frames == file["facts"]["frames"]


@needs_session
def test_a_clean_session_has_no_header_fault_and_every_start_time() -> None:
    """24 mono files at 48 kHz, 24 bit, time reference 01:00:00; four with bext behind the sound."""
    headers = [header_of(path.read_bytes()) for path in sorted(SESSION.glob("*.wav"))]
    assert len(headers) == 24
    assert all(header.faults == () for header in headers)
    assert {header.time_reference_samples for header in headers} == {172_800_000}
    assert {header.frames for header in headers} == {960_000}
    behind = [
        header
        for header in headers
        if [c.identifier for c in header.chunks].index("bext")
        > [c.identifier for c in header.chunks].index("data")
    ]
    assert len(behind) == 4


@needs_session
def test_reading_one_file_gives_every_byte_once() -> None:
    content = next(iter(sorted(SESSION.glob("*.wav")))).read_bytes()
    assert frames_read(content) == header_of(content).frames
    assert io.BytesIO(content).read(4) == b"RIFF"
