"""What holds for every test."""

import os
import signal
from collections.abc import Iterator

import pytest
from hypothesis import settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does; before numpy

# A suite that a shell runs in the background has Ctrl-C ignored, and so would all that it starts.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# The suite gives the same answer on every machine, however busy it is;
# HYPOTHESIS_PROFILE=search looks for news.
settings.register_profile("suite", derandomize=True, database=None, deadline=None)
settings.register_profile("search", max_examples=2000, database=None, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "suite"))


@pytest.fixture(scope="module", autouse=True)
def _inline_jobs() -> Iterator[None]:
    """The jobs of process pools are done in this process; see ``inline_jobs``."""
    from tests.inline_jobs import inline_jobs

    with inline_jobs():
        yield


@pytest.fixture
def worker_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Process pools start processes, for tests that are about them."""
    from stemprep.engine import ProcessEngine
    from tests.inline_jobs import REAL_RUN

    monkeypatch.setattr(ProcessEngine, "run", REAL_RUN)
