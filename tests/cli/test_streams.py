"""Outputs that take nothing, and requests to end: no traceback, nothing left behind."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

from tests.cli.running import ROOT
from tests.end_to_end import drops

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


def _shell(line: str, take: Path) -> subprocess.CompletedProcess[str]:
    command = f'"{sys.executable}" -m stemprep check "{take}" {line}'
    return subprocess.run(
        ["/bin/sh", "-c", command], env=ENVIRONMENT, capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("line", ["> /dev/full", "--json - > /dev/full"])
def test_a_full_disk_behind_standard_output(take: Path, line: str) -> None:
    ran = _shell(line, take)
    assert ran.returncode == 5
    assert ran.stderr == (
        "stemprep: No space left on device where the output goes; free space there\n"
    )


@pytest.mark.parametrize("line", [">&-", "2>&-", ">&- 2>&-"])
def test_closed_outputs(take: Path, line: str) -> None:
    ran = _shell(line, take)
    assert (ran.returncode, ran.stderr) == (0, "")


def test_a_request_to_end_leaves_nothing_behind(tmp_path: Path) -> None:
    """SIGTERM, as a system that shuts down sends it (exit code 128 + 15 by common practice)."""
    take = drops.write_take(
        tmp_path / "00.wav", drops.signals.noise(peak_dbfs=-20, seconds=60, channels=2)
    )
    with zipfile.ZipFile(tmp_path / "drop.zip", "w") as parcel:
        for number in range(6):
            parcel.write(take, f"{number:02d}.wav")
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    with subprocess.Popen(
        [sys.executable, "-m", "stemprep", "check", str(tmp_path / "drop.zip")],
        env={**ENVIRONMENT, "TMPDIR": str(scratch)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        text=True,
    ) as run:
        children = Path(f"/proc/{run.pid}/task/{run.pid}/children")
        end = time.monotonic() + 60
        while not children.read_text().split():
            assert time.monotonic() < end, "no worker was started"
            time.sleep(0.02)
        time.sleep(0.3)  # not amid a fork, where Python drops what a handler raises
        assert list(scratch.iterdir())
        run.terminate()
        out, err = run.communicate(timeout=60)
    assert (run.returncode, out, err) == (143, "", "")
    assert not list(scratch.iterdir())
    with pytest.raises(ProcessLookupError):
        os.killpg(run.pid, 0)
