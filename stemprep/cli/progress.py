"""How far a command is: one line that rewrites itself on a terminal, or JSON lines for programs."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass, field

from stemprep.report.escaping import visible

CLEAR_LINE = "\r\x1b[K"
MIN_ELAPSED_S = 2.0
"""What is left is told after that, when a few files say something of it."""


@dataclass(slots=True)
class Progress:
    """Called with how many files of how many are done, and the last one's name.

    form: ``auto``: a line on a terminal, nothing in a pipe; ``json``: a line of JSON on standard
    error for each call; ``none``.
    """

    form: str = "auto"
    _start_s: float = field(default_factory=time.monotonic)

    def __call__(self, done: int, total: int, path: str) -> None:
        """Tell it; what is left is reckoned from the files that are done."""
        elapsed_s = time.monotonic() - self._start_s
        is_known = done > 0 and elapsed_s >= MIN_ELAPSED_S
        left_s = elapsed_s / done * (total - done) if is_known else None
        if self.form == "json":
            record = {
                "done": done,
                "total": total,
                "file": visible(path),
                "elapsed_s": round(elapsed_s, 1),
                "left_s": None if left_s is None else round(left_s, 1),
            }
            sys.stderr.write(json.dumps(record) + "\n")
        elif self.form == "auto" and sys.stderr.isatty():
            left = "" if left_s is None else f", about {left_s:.0f} s left"
            line = f"{done} of {total} files{left}, {visible(path)[-36:]}" if done < total else ""
            sys.stderr.write(CLEAR_LINE + line)
        sys.stderr.flush()
