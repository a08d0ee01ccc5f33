"""The same inbox gives the same packages, byte for byte, wherever its jobs run."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.engine.cluster import local_cluster
from tests.service.engine_inboxes import worked_off
from tests.service.studio import hurry

pytestmark = pytest.mark.usefixtures("worker_processes")

pytest.importorskip("distributed")
DROPS = 4


def test_inline_processes_and_a_cluster_agree(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hurry(monkeypatch)
    inline = worked_off(tmp_path / "inline", "inline", DROPS)
    assert {state for state, _ in inline.jobs.values()} == {"delivered", "refused"}
    assert worked_off(tmp_path / "processes", "processes", DROPS) == inline
    with local_cluster(workers=2) as scheduler:
        assert worked_off(tmp_path / "cluster", "dask", DROPS, scheduler) == inline
