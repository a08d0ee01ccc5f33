"""The cluster runs the same jobs, and refuses to judge what its workers do not see."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from stemprep.engine import JobDied
from stemprep.engine.dask_engine import DaskEngine, view
from stemprep.errors import DeliveryError, StemprepError
from tests.engine import jobs
from tests.engine.cluster import local_cluster

pytestmark = pytest.mark.usefixtures("worker_processes")

pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    with local_cluster(workers=2) as address:
        yield address


def test_results_come_in_the_order_of_the_jobs(scheduler: str) -> None:
    done: list[int] = []
    engine = DaskEngine(scheduler=scheduler)
    assert engine.run(jobs.later_first, range(8), done.append) == [n * n for n in range(8)]
    assert sorted(done) == list(range(8))


def test_no_jobs_need_no_cluster() -> None:
    assert DaskEngine(scheduler="tcp://127.0.0.1:1").run(jobs.square, []) == []


def test_an_error_of_a_job_arrives_as_it_was_raised(scheduler: str) -> None:
    with pytest.raises(DeliveryError, match="job 2 was refused"):
        DaskEngine(scheduler=scheduler).run(jobs.refuse, range(4))


def test_a_job_that_kills_every_worker_is_told_as_died(scheduler: str) -> None:
    results = DaskEngine(scheduler=scheduler).run(jobs.leave, range(4))
    assert [type(result) for result in results] == [int, int, JobDied, int]


def test_no_innocent_job_is_blamed_for_a_worker_that_it_shared(tmp_path: Path) -> None:
    """Both jobs run in one process: each of its ends is the end of both, until none is tried."""
    done: list[int] = []
    names = [f"{tmp_path}/killer", f"{tmp_path}/innocent"]
    with local_cluster(workers=1, threads=2) as address:
        engine = DaskEngine(scheduler=address)
        results = engine.run(jobs.leave_beside_another, names, done.append)
    assert isinstance(results[0], JobDied)
    assert results[1] == "innocent"
    assert sorted(done) == [0, 1]


def test_workers_that_somebody_else_ends_blame_no_job(
    scheduler: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever runs there too, a job that was alone in its processes has ended no worker."""
    monkeypatch.setattr("stemprep.engine.dask_engine.run_alone", jobs.leave_with_worker)
    with pytest.raises(StemprepError, match="again and again, by no fault of these files"):
        DaskEngine(scheduler=scheduler).run(jobs.leave, [jobs.BAD])


def test_no_answer_is_told_as_the_clusters_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stemprep.engine.dask_engine.CONNECT_S", 0.5)
    with pytest.raises(StemprepError, match="gives no answer"):
        DaskEngine(scheduler="tcp://127.0.0.1:1").run(jobs.square, [1])


def test_a_folder_that_workers_see_otherwise_stops_the_run(
    scheduler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert DaskEngine(scheduler=scheduler, shared=(tmp_path,)).run(jobs.square, [3]) == [9]
    monkeypatch.setattr("stemprep.engine.dask_engine._file_number", lambda _: 1)
    with pytest.raises(StemprepError, match=f"does not see the same folder at {tmp_path}"):
        DaskEngine(scheduler=scheduler, shared=(tmp_path,)).run(jobs.square, [3])


def test_another_release_stops_the_run(scheduler: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stemprep.engine.dask_engine.__version__", "99.0")
    with pytest.raises(StemprepError, match=r"has stemprep [\d.]+ installed, this machine 99\.0"):
        DaskEngine(scheduler=scheduler).run(jobs.square, [3])


def test_a_worker_that_computes_in_several_threads_stops_the_run() -> None:
    """With two threads a true peak was seen to differ in its last digit."""
    with (
        local_cluster(workers=1, blas_threads=2) as address,
        pytest.raises(StemprepError, match="OPENBLAS_NUM_THREADS=1"),
    ):
        DaskEngine(scheduler=address).run(jobs.square, [3])


def test_what_is_missing_is_seen_as_such(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stemprep.engine.dask_engine.LIBRARIES", ("no-such-library",))
    seen = view([tmp_path / "none"])
    assert seen.folders == (-1,)
    assert seen.releases[1] == ("no-such-library", "")
