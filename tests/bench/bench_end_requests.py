"""Ask a check to end at seeded moments, and look at what it says and leaves behind.

Run: ``python -m tests.bench.bench_end_requests [--rounds N] [--seed S] [--signal NAME] [--group]``.
A zip of four files is checked in a process of its own; the signal goes to it, or with ``--group``
to its workers too, as a terminal's Ctrl-C does. Counted are what must not be: a run that does not
come to an end, a word of Python's, unpacked files or workers left behind.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from collections import Counter
from contextlib import suppress
from pathlib import Path

from tests import signals
from tests.cli.running import ROOT
from tests.end_to_end import drops

LONGEST_S = 60.0
_INTERRUPTED = "Interrupted; nothing half-made looks finished."


def main() -> None:
    """Ask, look, count."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--signal", choices=("SIGTERM", "SIGINT"), default="SIGTERM")
    parser.add_argument("--group", action="store_true")
    chosen = parser.parse_args()
    number = signal.Signals[chosen.signal]
    generator = random.Random(chosen.seed)
    faults: Counter[str] = Counter()
    codes: Counter[int] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        drop = _write_drop(Path(folder))
        begun_s = time.monotonic()
        _run(drop, None)
        whole_s = time.monotonic() - begun_s
        for _ in range(chosen.rounds):
            moment_s = generator.uniform(0.0, 1.1 * whole_s)
            code, fault = _run(drop, (number, moment_s), is_group_asked=chosen.group)
            codes[code] += 1
            faults[fault] += bool(fault)
    print("exit codes", dict(codes))
    print(f"{faults.total()} faults in {chosen.rounds} rounds", dict(+faults))


def _write_drop(folder: Path) -> Path:
    noise = signals.noise(peak_dbfs=-20, seconds=10, channels=2)
    take = drops.write_take(folder / "take.wav", noise)
    with zipfile.ZipFile(folder / "drop.zip", "w") as parcel:
        for number in range(4):
            parcel.write(take, f"{number:02d}.wav")
    return folder / "drop.zip"


def _run(
    drop: Path, request: tuple[signal.Signals, float] | None, *, is_group_asked: bool = False
) -> tuple[int, str]:
    """Check the drop, ask it to end after some seconds; return (exit code, what must not be)."""
    with tempfile.TemporaryDirectory() as scratch:
        run = subprocess.Popen(
            [sys.executable, "-m", "stemprep", "check", str(drop)],
            env={**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": scratch},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
            text=True,
        )
        if request is not None:
            time.sleep(request[1])
            with suppress(ProcessLookupError):
                (os.killpg if is_group_asked else os.kill)(run.pid, request[0])
        try:
            _, said = run.communicate(timeout=LONGEST_S)
        except subprocess.TimeoutExpired:
            os.killpg(run.pid, signal.SIGKILL)
            run.communicate()
            return run.returncode, "did not end"
        is_early = request is not None and run.returncode == -request[0]  # before it could listen
        if said.strip() not in ("", _INTERRUPTED) and not (is_early or _is_of_the_start(said)):
            return run.returncode, said.strip().splitlines()[-1]
        if list(Path(scratch).iterdir()) and not is_early:
            return run.returncode, "left files behind"
        return run.returncode, "left workers behind" if _is_any_alive(run.pid) else ""


def _is_of_the_start(said: str) -> bool:
    """Tell whether Ctrl-C came while Python itself, or the command line, was still being loaded."""
    return said.endswith("KeyboardInterrupt\n") and "main.run" not in said and "in run" not in said


def _is_any_alive(group: int) -> bool:
    """Tell whether processes of a group are there; killed ones may take a moment to go."""
    for _ in range(20):
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return False
        time.sleep(0.05)
    return True


if __name__ == "__main__":
    main()
