"""Planning on real inputs that lie beside the project; skipped where they do not."""

from __future__ import annotations

import json
import tarfile
from pathlib import Path

import pytest
import soundfile

from stemprep.model.header import AudioFormat
from tests.prepare.planning import (
    carried_out,
    names_of,
    output_of,
    planned,
    session,
    sounding,
    spec,
)

CASES = Path(__file__).resolve().parents[3] / "shared" / "cases"
pytestmark = pytest.mark.skipif(not CASES.exists(), reason="field cases are not beside the project")


def read(path: Path, name: str):  # type: ignore[no-untyped-def]
    info = soundfile.info(path)
    samples, _ = soundfile.read(path, dtype="float64", always_2d=True)
    is_float = info.subtype == "FLOAT"
    bits = 32 if is_float else int(info.subtype[4:])
    form = AudioFormat(
        container="WAV",
        encoding="float" if is_float else "integer",
        sample_rate_hz=info.samplerate,
        channels=info.channels,
        bit_depth=bits,
        container_bits=bits,
    )
    return sounding(name, samples.T, file_form=form)


def test_mixed_formats_come_out_with_exact_lengths(tmp_path: Path) -> None:
    """c28: one rate for all, lengths rounded up, 16 bits widened without a change."""
    cases = json.loads((CASES / "cases.json").read_text(encoding="utf-8"))["cases"]
    case = next(case for case in cases if case["id"] == "c28_mixed_formats")
    with tarfile.open(CASES / "cases.tar.gz") as archive:
        wanted = [m for m in archive.getmembers() if "c28_mixed_formats/" in m.name and m.isfile()]
        archive.extractall(tmp_path, members=wanted, filter="data")
    found = {path.name: path for path in tmp_path.rglob("*.wav")}
    files = [read(found[name], name) for name in sorted(found)]
    measured = session(*files)
    plan = planned(measured, spec("overdub", is_equal_length=False))
    assert plan.blockers == ()
    for known in case["files"]:
        out = output_of(plan, known["path"].rpartition("/")[2])
        frames = known["facts"].get("frames_after", case["facts"]["all_after"])
        assert out.format is not None
        assert out.format.sample_rate_hz == case["facts"]["target_rate"]
        assert out.frames == frames
        if "copy-audio" not in names_of(out):
            assert carried_out(out, measured).shape == (1, frames)
