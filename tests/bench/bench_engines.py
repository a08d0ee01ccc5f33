"""One inbox worked off inline, through processes and through a cluster of two workers.

Run: ``python -m tests.bench.bench_engines`` (needs dask.distributed, 200 MB of disk). Every file of
every package must be the same, byte for byte; the times only tell what handing out jobs costs for
drops of three very short files.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: one worker, one thread


def main() -> None:
    """Work the inbox off three times."""
    import pytest  # workers import this module anew: what only the parent needs is costly there

    from tests.engine.cluster import local_cluster
    from tests.service.engine_inboxes import Outcome, worked_off
    from tests.service.studio import hurry

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drops", type=int, default=40)
    drops = parser.parse_args().drops
    outcomes: dict[str, Outcome] = {}
    with (
        tempfile.TemporaryDirectory() as folder,
        local_cluster(workers=2) as scheduler,
        pytest.MonkeyPatch.context() as monkeypatch,
    ):
        hurry(monkeypatch)
        for engine in ("inline", "processes", "dask"):
            begun_s = time.perf_counter()
            outcomes[engine] = worked_off(Path(folder) / engine, engine, drops, scheduler)
            took_s = time.perf_counter() - begun_s
            files = len(outcomes[engine].packages)
            print(f"{engine}: {drops} drops, {files:,} files in packages, {took_s:.0f} s")
    same = all(outcome == outcomes["inline"] for outcome in outcomes.values())
    states = sorted(state for state, _ in outcomes["inline"].jobs.values())
    print(f"identical: {same}; {states.count('delivered')} delivered, "
          f"{states.count('refused')} refused")  # fmt: skip


if __name__ == "__main__":
    main()
