"""A dask cluster on the loopback interface: scheduler and workers as processes of their own."""

from __future__ import annotations

import ctypes
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]
START_S = 60.0
_PR_SET_PDEATHSIG = 1


@contextmanager
def local_cluster(workers: int, blas_threads: int = 1, threads: int = 1) -> Iterator[str]:
    """Start a scheduler and workers of some threads each; give the scheduler's address."""
    port = _free_port()
    address = f"tcp://127.0.0.1:{port}"
    common = ["--host", "127.0.0.1", "--no-dashboard"]
    environment = {
        **os.environ,
        "PYTHONPATH": str(REPOSITORY),
        "DASK_LOGGING__DISTRIBUTED": "error",
        "OPENBLAS_NUM_THREADS": str(blas_threads),
    }
    alone = [] if blas_threads == 1 else ["--no-nanny"]  # a nanny sets one thread by itself
    worker = [
        "worker",
        address,
        "--nthreads",
        str(threads),
        "--death-timeout",
        "60",
        *alone,
        *common,
    ]
    commands = [["scheduler", "--port", str(port), *common], *[worker] * workers]
    started: list[subprocess.Popen[bytes]] = []
    try:
        for command in commands:
            started.append(
                subprocess.Popen(
                    [sys.executable, "-m", "dask", *command],
                    env=environment,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    start_new_session=True,
                    preexec_fn=_end_with_parent,  # noqa: PLW1509 - no lock is held here
                )
            )
        _wait_for_workers(address, workers)
        yield address
    finally:
        for process in reversed(started):
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def _end_with_parent() -> None:
    """Have the kernel end this process when the one that started it was killed, prctl(2)."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM, 0, 0, 0)


def _wait_for_workers(address: str, workers: int) -> None:
    from distributed import Client

    end_s = time.monotonic() + START_S
    while True:
        try:
            with Client(address, timeout=2, set_as_default=False) as client:
                client.wait_for_workers(workers, timeout=START_S)
            return
        except OSError:
            if time.monotonic() > end_s:
                raise


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
