"""Run the command line: in this process where that shows the same, else in one of its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from stemprep.cli.main import run

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str


def here(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> Ran:
    """Run a command in this process."""
    capsys.readouterr()
    with pytest.raises(SystemExit) as left, _as_before():
        run([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    assert isinstance(left.value.code, int)
    return Ran(left.value.code, out, err)


@contextmanager
def _as_before() -> Iterator[None]:
    """Leave this process as it was: a command takes over its signals until it ends."""
    numbers = (signal.SIGTERM, signal.SIGINT, signal.SIGALRM)
    handlers = {number: signal.getsignal(number) for number in numbers}
    hook = sys.unraisablehook
    try:
        yield
    finally:
        sys.unraisablehook = hook
        for number, handler in handlers.items():
            signal.signal(number, handler)


def apart(
    *arguments: str | Path, env: Mapping[str, str] | None = None, umask: int = -1, cores: int = 0
) -> Ran:
    """Run a command in a process of its own, with more environment, a umask, few cores."""

    def prepare() -> None:
        if cores:
            os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:cores])

    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "stemprep", *map(str, arguments)],
        capture_output=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONPATH": str(ROOT), **(env or {})},
        umask=umask,
        preexec_fn=prepare if cores else None,
        check=False,
        timeout=300,
    )
    return Ran(done.returncode, done.stdout, done.stderr)
