"""Whether processes live, and waiting until something about them holds."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path


def is_alive(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def wait_until(holds: Callable[[], bool], seconds: float = 300.0) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)
