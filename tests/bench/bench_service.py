"""The service under a burst of drops, and at rest with very many files in its inbox.

Run: ``python -m tests.bench.bench_service`` (500 MB of disk). A real ``stemprep watch`` runs while
drops of three very short files are placed as fast as the disk allows, half of them moved in, half
copied: each must be delivered once. Then folders of broken files join them until 10,000 files lie
there, and once these are refused the process is watched at rest. CPU is user plus system time of
the process and the children it has waited for, memory its resident set (VmRSS, VmHWM; proc(5)).
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from stemprep.errors import InputError
from stemprep.package import verify_package
from stemprep.service.jobs import Job
from stemprep.service.store import Store
from tests import signals

CONFIG = """\
state: state
inboxes:
  - {path: in, spec: base, deliver_to: out, settle_s: 2}
log_format: json
"""
LYING_FILES = 10_000
FILES_A_FOLDER = 250
NAMES = ("Kick", "Snare", "Bass")


def make_drops(outside: Path, drops: int) -> None:
    """Drops of three files, each with sound of its own."""
    for number in range(drops):
        folder = outside / str(number)
        folder.mkdir(parents=True)
        for part, name in enumerate(NAMES):
            sound = signals.pluck(peak_dbfs=-6, seconds=0.05, seed=10 * number + part)
            signals.write_wav(folder / f"{name}.wav", sound)


def place_drops(outside: Path, inbox: Path, drops: int) -> float:
    """Half moved in, half copied; the seconds it took."""
    begun_s = time.monotonic()
    for number in range(drops):
        target = inbox / f"drop {number:04}"
        if number % 2:
            (outside / str(number)).rename(target)
        else:
            shutil.copytree(outside / str(number), target)
    return time.monotonic() - begun_s


def jobs(root: Path) -> list[Job]:
    """All jobs, read while the service runs."""
    try:
        with Store(root / "state", "read") as store:
            return store.jobs()
    except InputError:
        return []


def wait_for(root: Path, state: str, count: int, seconds: float) -> None:
    """Wait until so many jobs are in a state."""
    end_s = time.monotonic() + seconds
    while Counter(job.state for job in jobs(root))[state] < count and time.monotonic() < end_s:
        time.sleep(2.0)


def memory_mb(process: int, field: str) -> float:
    """One field of the process's memory."""
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith(f"{field}:"):
            return int(line.split()[1]) / 1024
    return float("nan")


def cpu_s(process: int) -> float:
    """User and system time of a process and of the children it has waited for."""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return sum(int(field) for field in fields[11:15]) / os.sysconf("SC_CLK_TCK")


def measure(root: Path, drops: int, idle_s: float) -> None:
    """Run the service through a burst, then watch it at rest."""
    (root / "in").mkdir()
    (root / "out").mkdir()
    (root / "service.yaml").write_text(CONFIG)
    stemprep = [sys.executable, "-m", "stemprep"]
    subprocess.run(
        [*stemprep, "places", "--config", "service.yaml", "--make"], cwd=root, check=True
    )
    make_drops(root / "outside", drops)
    service = subprocess.Popen([*stemprep, "watch", "--config", "service.yaml"], cwd=root)
    try:
        time.sleep(5.0)
        begun_s = time.monotonic()
        placing_s = place_drops(root / "outside", root / "in", drops)
        wait_for(root, "delivered", drops // 10, 3600)
        early_mb = memory_mb(service.pid, "VmRSS")
        wait_for(root, "delivered", drops, 7200)
        took_s = time.monotonic() - begun_s
        _report_burst(root, drops, placing_s, took_s)
        late_mb = memory_mb(service.pid, "VmRSS")
        print(f"memory: {early_mb:.0f} MB after a tenth, {late_mb:.0f} MB after all; "
              f"most {memory_mb(service.pid, 'VmHWM'):.0f} MB", flush=True)  # fmt: skip
        folders = (LYING_FILES - 3 * drops) // FILES_A_FOLDER
        for number in range(folders):
            (root / "in" / f"broken {number}").mkdir()
            for file in range(FILES_A_FOLDER):
                (root / "in" / f"broken {number}" / f"{file}.wav").write_bytes(b"x" * 100)
        wait_for(root, "refused", folders, 3600)
        time.sleep(60.0)
        before_s = cpu_s(service.pid)
        time.sleep(idle_s)
        share = 100 * (cpu_s(service.pid) - before_s) / idle_s
        print(f"at rest with {LYING_FILES:,} files: {share:.3f} % of a core over {idle_s:.0f} s",
              flush=True)  # fmt: skip
    finally:
        service.send_signal(signal.SIGTERM)
        service.wait()


def _report_burst(root: Path, drops: int, placing_s: float, took_s: float) -> None:
    found = jobs(root)
    once = Counter(job.name for job in found if job.state == "delivered")
    packages = [path for path in (root / "out").iterdir() if path.is_dir()]
    whole = sum(proof.is_whole and proof.is_complete for proof in map(verify_package, packages))
    print(
        f"burst: {drops:,} drops placed in {placing_s:.1f} s; after {took_s:.0f} s {len(once):,} "
        f"delivered, {once.total() - len(once)} more than once, {len(found) - len(once)} other "
        f"jobs; {len(packages):,} packages, {whole:,} whole",
        flush=True,
    )


def main() -> None:
    """Measure all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drops", type=int, default=1000)
    parser.add_argument("--idle", type=float, default=180.0, help="seconds at rest")
    parser.add_argument("--place", type=Path, default=None, help="a folder on the disk to use")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.place) as folder:
        measure(Path(folder), options.drops, options.idle)


if __name__ == "__main__":
    main()
