"""By which others see that the service goes round: a file in the state folder, touched each time.

A process that hangs, on a share that gives no answer for example, holds its lock for ever; only
a sign that grows old tells of it.
"""

from __future__ import annotations

import os
import time
from contextlib import suppress
from pathlib import Path

FILE = "alive"
PACE_S = 5.0


class SignOfLife:
    """Given by the service's own loop; a disk that refuses it does not stop the service."""

    def __init__(self, state: Path) -> None:
        self._path = state / FILE
        self._due_s = 0.0

    def give(self) -> None:
        """Touch the file, every few seconds."""
        now_s = time.monotonic()
        if now_s < self._due_s:
            return
        self._due_s = now_s + PACE_S
        with suppress(OSError):
            self._path.write_text(f"{os.getpid()}\n", encoding="ascii")

    def end(self) -> None:
        """Say that the service has ended as it was asked to."""
        with suppress(OSError):
            self._path.unlink(missing_ok=True)


def age_s(state: Path, now_s: float) -> float | None:
    """Seconds since the last sign; None where there is none. now_s: since 1970."""
    try:
        return max(0.0, now_s - (state / FILE).stat().st_mtime)
    except OSError:
        return None
