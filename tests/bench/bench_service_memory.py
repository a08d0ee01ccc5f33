"""Memory of the service over 2,000 jobs: flat, or it does not run for months.

Run: ``python -m tests.bench.bench_service_memory [--jobs N]``. Drops of three short files lie in
an inbox, 50 at a time, and are worked off in this process. Printed is the memory that the
process has filled after each hundred jobs, and how much it grew from the first three hundred on:
by then every module is loaded and every cache is filled.
"""

from __future__ import annotations

import argparse
import gc
import shutil
import tempfile
import threading
import time
from pathlib import Path

import pytest

from stemprep.service.notices import Notices
from stemprep.service.service import Service
from stemprep.service.state_folder import state_folder
from stemprep.service.store import Store
from tests.service.studio import Studio, hurry

AT_ONCE = 50
WARM_JOBS = 300


def own_bytes() -> int:
    """Memory that this process has filled, proc_pid_smaps_rollup(5).

    Not its private pages: those of libraries become private when another process that uses them
    ends, and shared when one starts.
    """
    lines = Path("/proc/self/smaps_rollup").read_text().splitlines()
    kilobytes = (int(line.split()[1]) for line in lines if line.startswith("Anonymous:"))
    return 1024 * sum(kilobytes)


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=2000)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patched:
        hurry(patched)
        figures = measured(Studio.built(Path(folder)), wanted.jobs)
    warm = next(size for jobs, size in figures if jobs >= min(WARM_JOBS, wanted.jobs // 2))
    growth = figures[-1][1] / warm - 1
    print(f"growth from {min(WARM_JOBS, wanted.jobs // 2)} to {figures[-1][0]} jobs: {growth:+.1%}")


def measured(studio: Studio, jobs: int) -> list[tuple[int, int]]:
    """Jobs done and memory used then, of one service that goes on all the time."""
    figures = []
    config = studio.config
    with state_folder(config.state), Store(config.state) as store:
        service = Service(config=config, store=store, notices=Notices(()))
        thread = threading.Thread(target=service.run)
        thread.start()
        try:
            for done in range(0, jobs, AT_ONCE):
                drops = [
                    studio.drop(f"Reel {number}", seconds=0.02, seed=number)
                    for number in range(done, min(done + AT_ONCE, jobs))
                ]
                _wait(store, done + len(drops))
                for drop in drops:
                    shutil.rmtree(drop)
                gc.collect()
                if (done + len(drops)) % 100 == 0:
                    figures.append((done + len(drops), own_bytes()))
                    print(f"{figures[-1][0]:>5} jobs: {figures[-1][1] / 1e6:.1f} MB", flush=True)
        finally:
            service.stop()
            thread.join()
    return figures


def _wait(store: Store, delivered: int) -> None:
    while store.counts_by_state().get("delivered", 0) < delivered:
        time.sleep(0.1)


if __name__ == "__main__":
    main()
