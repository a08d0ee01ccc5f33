"""How every field case is judged, file by file, with time and peak memory of each check.

    python -m tests.bench.bench_field_cases [PART ...]

Needs the folder of field cases beside the project. PART is ``file`` unless named. Each drop is
checked by the command line in a process of its own; memory is the highest resident size of it
or of one of its workers (getrusage, RUSAGE_CHILDREN of a process that ran only that). The exit
code is 1 when a verdict is not the expected one, or a check needs more than 10 s or 300 MB.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from stemprep.model.finding import Finding
from stemprep.model.session import DropEntry
from tests.end_to_end.field_cases import (
    CASES,
    ROOT,
    SPEC,
    Drop,
    Row,
    cases,
    drops_of,
    rows_of,
    unpack,
)

MAX_SECONDS = 10.0
MAX_MB = 300.0
RUN = """
import resource, subprocess, sys
code = subprocess.run([sys.executable, "-m", "stemprep", *sys.argv[1:]]).returncode
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
print(code, peak, file=sys.stderr)
"""


def checked(drop: Path) -> tuple[dict[str, Any] | None, float, float]:
    """The report of ``stemprep check`` (None where the drop is refused), seconds, megabytes."""
    command = [sys.executable, "-c", RUN, "check", str(drop), "--spec", str(SPEC), "--json", "-"]
    started = time.perf_counter()
    done = subprocess.run(command, cwd=ROOT, capture_output=True, check=False)
    seconds = time.perf_counter() - started
    code, peak_mb = done.stderr.decode().split("\n")[-2].split()
    if int(code) not in (0, 1, 4):
        raise SystemExit(f"{drop}: exit {code}\n{done.stderr.decode()}")
    return json.loads(done.stdout) if int(code) != 4 else None, seconds, float(peak_mb)


def judged(drop: Drop, report: dict[str, Any] | None) -> list[Row]:
    """Rows of one drop from its report's JSON."""
    if report is None:
        return list(rows_of(drop, (), (), is_refused=True))
    keys = ("check", "severity", "message", "advice", "file", "repair")
    findings = [
        Finding(**{key: found[key] for key in keys}, files=tuple(found["files"]))
        for found in report["findings"]
    ]
    entries = [
        DropEntry(path=file["path"], raw_path=b"", kind="audio", size_bytes=0)
        for file in report["files"]
    ]
    return list(rows_of(drop, findings, entries, is_refused=False))


def lines_of(part: str, root: Path) -> Iterator[tuple[str, bool]]:
    """A line for each drop and each file of it, and whether it is as it should be."""
    for case in cases(part):
        for drop in drops_of(case, root):
            report, seconds, peak_mb = checked(drop.path)
            is_cheap = seconds <= MAX_SECONDS and peak_mb <= MAX_MB
            yield f"{drop.case}  {seconds:.2f} s  {peak_mb:.0f} MB", is_cheap
            for row in judged(drop, report):
                name = ascii(row.file.partition("/")[2])[1:-1]
                mark = "ok" if row.is_right else "WRONG"
                yield f"  {mark:6}{row.expected:16}{row.told:32}{name[:60]}", row.is_right


def main() -> None:
    """Print the table."""
    if not CASES.is_dir():
        raise SystemExit(f"no field cases at {CASES}")
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        root = unpack(Path(folder))
        for part in sys.argv[1:] or ["file"]:
            for line, is_right in lines_of(part, root):
                print(line, flush=True)
                wrong += not is_right
    print(f"{wrong} not as expected")
    raise SystemExit(1 if wrong else 0)


if __name__ == "__main__":
    main()
