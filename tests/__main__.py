"""Run everything a change must pass: ``python -m tests``."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import IO

ROOT = Path(__file__).parents[1]
STYLE = (("ruff", "format", "--check", "."), ("ruff", "check", "."))
TYPES = ("mypy",)
SUITE = (
    "pytest", "-q", "-n", "auto", "--dist", "worksteal",
    "--cov", "--cov-report=", "--cov-fail-under=0",
)  # fmt: skip
COVERAGE = ("coverage", "report", "--skip-covered")  # once, and it holds the floor


def main() -> int:
    """Run the steps, types beside the suite; stop at the first that fails."""
    with tempfile.TemporaryFile() as said:
        for step in STYLE:
            if code := _run(step):
                return code
        types = _started(TYPES, said)
        code = _run(SUITE) or _run(COVERAGE)
        return _ended(types, TYPES, said) or code


def _run(step: tuple[str, ...]) -> int:
    print("--", *step, flush=True)
    return _started(step).wait()


def _started(step: tuple[str, ...], said: IO[bytes] | None = None) -> subprocess.Popen[bytes]:
    """Start a step; compiled modules are kept, for the suite starts hundreds of processes."""
    environment = {**os.environ}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    return subprocess.Popen(
        [sys.executable, "-m", *step], cwd=ROOT, env=environment, stdout=said, stderr=said
    )


def _ended(process: subprocess.Popen[bytes], step: tuple[str, ...], said: IO[bytes]) -> int:
    print("--", *step, flush=True)
    code = process.wait()
    said.seek(0)
    print(said.read().decode(errors="replace"), end="", flush=True)
    return code


if __name__ == "__main__":
    raise SystemExit(main())
