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
        end = time.monotonic() + 600
        while not children.read_text().split():
            assert time.monotonic() < end, "no worker was started"
            time.sleep(0.02)
        assert list(scratch.iterdir())
        run.terminate()
        out, err = run.communicate(timeout=60)
    assert (run.returncode, out, err) == (143, "", "")
    assert not list(scratch.iterdir())
    with pytest.raises(ProcessLookupError):
        os.killpg(run.pid, 0)


def _run_with(*preparation: str) -> subprocess.CompletedProcess[str]:
    """Run a command that does what is prepared here."""
    code = "\n".join(
        ("import atexit, os, signal, time", "from stemprep.cli import main", *preparation,
         "main.run(['explain', 'click'])")
    )  # fmt: skip
    return subprocess.run(
        [sys.executable, "-c", code],
        env=ENVIRONMENT, capture_output=True, text=True, check=False, timeout=100,
    )  # fmt: skip


@pytest.mark.parametrize(("name", "code"), [("SIGTERM", 143), ("SIGINT", 130)])
def test_a_request_that_python_drops_is_obeyed_a_moment_later(name: str, code: int) -> None:
    """Amid a finaliser nobody is there to take what a signal handler raises."""
    ran = _run_with(
        "class Late:",
        f"    def __del__(self): os.kill(os.getpid(), signal.{name})",
        "main.main.main = lambda **_: Late() and time.sleep(300)",
    )
    said = "" if code == 143 else "Interrupted; nothing half-made looks finished.\n"
    assert (ran.returncode, ran.stdout, ran.stderr) == (code, "", said)


def test_another_fault_amid_a_finaliser_is_shown_as_ever() -> None:
    ran = _run_with(
        "class Bad:",
        "    def __del__(self): 1 / 0",
        "Bad()",
        "main.main.main = lambda **_: Bad() and 0",
    )
    assert "ZeroDivisionError" in ran.stderr


def test_a_request_amid_leaving_says_nothing() -> None:
    """All is tidied up by then: the system may end the process (128 + 15 in a shell)."""
    ran = _run_with("atexit.register(lambda: os.kill(os.getpid(), signal.SIGTERM))")
    assert (ran.returncode, ran.stderr) == (-15, "")


def test_a_request_made_twice_does_not_cut_the_tidying_up_short() -> None:
    """``timeout`` asks its child, then the group that the child is in (timeout(1))."""
    ran = _run_with(
        "def tidy_up(**_):",
        "    try:",
        "        os.kill(os.getpid(), signal.SIGTERM)",
        "        time.sleep(300)",
        "    finally:",
        "        os.kill(os.getpid(), signal.SIGTERM)",
        "        print('tidied up')",
        "main.main.main = tidy_up",
    )
    assert (ran.returncode, ran.stdout, ran.stderr) == (143, "tidied up\n", "")
