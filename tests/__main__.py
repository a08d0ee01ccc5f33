"""Run everything a change must pass: ``python -m tests``."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
STEPS = (
    ("ruff", "format", "--check", "."),
    ("ruff", "check", "."),
    ("mypy",),
    ("pytest", "-q", "-n", "auto", "--cov", "--cov-report=term:skip-covered"),
)


def main() -> int:
    """Run the steps in order; stop at the first that fails."""
    for step in STEPS:
        print("--", *step, flush=True)
        code = subprocess.run([sys.executable, "-m", *step], cwd=ROOT, check=False).returncode
        if code:
            return code
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
