"""Shares that come and go while the service works: a part of ``tests.bench.bench_outages``."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.bench_outages import FAULTS, namespace

PARTS = 2


@pytest.mark.parametrize("seed", range(PARTS))
def test_shares_that_come_and_go_take_nothing_with_them(seed: int) -> None:
    """Seed 0: an inbox on the machine's own disk; 1: all on shares."""
    if namespace() is None:
        pytest.skip("no mount namespace may be made here")
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.bench_outages", "--moments", "8", "--houses", "1",
         "--seed", str(seed)],
        cwd=Path(__file__).parents[2], text=True, capture_output=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "8 moments at which a share went" in done.stdout
    for fault in FAULTS:
        assert f"\n{fault}: 0\n" in done.stdout
