"""The job store: claims, leases, queue order, predecessors, what readers see meanwhile."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from stemprep.errors import DeliveryError, InputError
from stemprep.service.jobs import Job, State
from stemprep.service.store import Store
from stemprep.service.store_file import STORE_FILE


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


def job(name: str = "Lantern", *, state: State = "waiting", **fields: object) -> Job:
    plain = Job(
        job=0,
        inbox=Path("/in"),
        name=name,
        raw_name=name.encode(),
        spec="mastering",
        state=state,
        fingerprint="one",
        destination="/out",
    )
    return replace(plain, **fields)  # type: ignore[arg-type]


def test_commits_survive_as_the_design_says(store: Store, tmp_path: Path) -> None:
    """SQLite, PRAGMA synchronous: 2 is FULL; the journal is the write-ahead log."""
    assert store.rows("PRAGMA journal_mode")[0][0] == "wal"
    assert store.rows("PRAGMA synchronous")[0][0] == 2
    assert store.rows("PRAGMA integrity_check")[0][0] == "ok"


def test_a_job_comes_back_as_it_was_put(store: Store) -> None:
    put = job("Fähre", raw_name=b"F\xff", inbox=Path("/in/\udcff"), is_titled=True, audio_s=1.5)
    added = store.add(put)
    assert store.job(added.job) == replace(put, job=1)
    assert store.job(99) is None
    assert [step.state for step in store.steps(1)] == ["waiting"]


def test_jobs_are_claimed_in_the_order_of_their_coming(store: Store) -> None:
    for name in "abc":
        store.add(job(name))
    claimed = [store.claim(0.0, 60.0) for _ in range(4)]
    assert [found.name for found in claimed if found] == ["a", "b", "c"]
    assert claimed[3] is None
    assert {found.state for found in store.jobs()} == {"running"}


def test_two_jobs_of_one_drop_are_never_worked_on_together(store: Store) -> None:
    store.add(job(spec="mastering"))
    store.add(job(spec="archive"))
    first = store.claim(0.0, 60.0)
    assert first is not None
    assert store.claim(0.0, 60.0) is None
    assert store.publish(first.job, 0.0)
    assert store.claim(0.0, 60.0) is None  # its receipt is still to come
    assert store.deliver(first.job, 0.0)
    second = store.claim(0.0, 60.0)
    assert second is not None
    assert second.spec == "archive"


def test_what_is_published_goes_first_and_bad_luck_last(store: Store) -> None:
    store.add(job("unlucky", interruptions=2))
    store.add(job("fresh"))
    store.add(job("published", state="published"))
    order = [store.claim(0.0, 60.0) for _ in range(3)]
    assert [found.name for found in order if found] == ["published", "fresh", "unlucky"]


def test_a_job_waits_until_its_time(store: Store) -> None:
    store.add(job(not_before_s=100.0))
    assert store.claim(99.0, 60.0) is None
    assert store.claim(100.0, 60.0) is not None


def test_what_nobody_works_on_is_taken_back(store: Store) -> None:
    for name in "ab":
        store.add(job(name))
        store.claim(0.0, 60.0)
    store.add(job("c", state="published", lease_until_s=60.0))
    assert store.take_back([2], 10.0, lambda interruptions: 5.0 * interruptions) == [1]
    first, second, third = store.jobs()
    assert (first.state, first.interruptions, first.not_before_s) == ("waiting", 1, 15.0)
    assert second.state == "running"
    assert third.lease_until_s == 0.0


def test_a_move_from_another_state_does_nothing(store: Store) -> None:
    added = store.add(job(state="refused"))
    assert not store.deliver(added.job, 1.0)
    assert store.jobs()[0].state == "refused"
    assert len(store.steps(added.job)) == 1
    assert store.notices_due() == []


def test_predecessors_share_drop_or_title(store: Store) -> None:
    delivered = job(state="delivered", package="L_01", stem="L", number=1, tag_sha256="a" * 64)
    store.add(delivered)
    store.add(replace(delivered, number=2, package="L_02"))
    store.add(replace(delivered, raw_name=b"other", number=7, package="L_07"))
    asking = store.add(job())
    assert [one.number for one in store.predecessors(asking, "L", is_titled=False)] == [1, 2]
    assert store.predecessors(asking, "M", is_titled=False) == []
    store.add(replace(delivered, raw_name=b"third", number=8, package="L_08", is_titled=True))
    assert [one.number for one in store.predecessors(asking, "L", is_titled=True)] == [1, 2, 8]


def test_a_notice_stays_due_until_it_was_sent(store: Store) -> None:
    added = store.add(job(), notice="received")
    assert store.claim(1.0, 60.0) is not None
    assert store.refuse(added.job, 1.0, "too quiet")
    assert [kind for _, kind in store.notices_due()] == ["received", "refused"]
    store.notice_sent(added.job, "received")
    assert [kind for _, kind in store.notices_due()] == ["refused"]


def test_figures(store: Store) -> None:
    store.add(job(received_s=100.0, audio_s=2.0))
    store.add(job("b", state="delivered", received_s=50.0, audio_s=3.0))
    assert store.counts_by_state() == {"waiting": 1, "delivered": 1}
    assert store.oldest_waiting_s(130.0) == 30.0
    assert store.oldest_waiting_s(90.0) == 0.0  # a clock that was set back
    assert store.audio_seconds() == 5.0


def test_readers_see_the_last_commit_while_a_transaction_is_open(
    store: Store, tmp_path: Path
) -> None:
    store.add(job())
    with store.transaction() as connection:
        connection.execute("UPDATE jobs SET state = 'running'")
        with Store(tmp_path, "read") as reader:
            assert reader.counts_by_state() == {"waiting": 1}


def test_a_reader_changes_nothing(store: Store, tmp_path: Path) -> None:
    added = store.add(job())
    with Store(tmp_path, "read") as reader, pytest.raises(DeliveryError, match="refused"):
        reader.set_fields(added.job, reason="x")


def test_papers_of_others_are_known_from_ours(store: Store) -> None:
    ours, theirs = Path("/in/a.report.json"), Path("/in/b.report.json")
    assert store.claim_paper(ours, is_there=False)
    assert store.claim_paper(ours, is_there=True)
    assert not store.claim_paper(theirs, is_there=True)
    assert store.is_our_paper(ours)
    assert not store.is_our_paper(theirs)


def test_no_store_and_stores_that_cannot_be_used(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no job store"):
        Store(tmp_path, "read")
    (tmp_path / STORE_FILE).write_bytes(b"not a database, but long enough to be looked at" * 50)
    with pytest.raises(DeliveryError, match="cannot be used"):
        Store(tmp_path)


def test_a_store_of_a_newer_release(tmp_path: Path) -> None:
    Store(tmp_path).close()
    connection = sqlite3.connect(tmp_path / STORE_FILE)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(DeliveryError, match="newer release"):
        Store(tmp_path)


def test_a_restored_backup_goes_on_as_the_store_it_was(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.add(job())
    file = tmp_path / STORE_FILE
    connection = sqlite3.connect(file)
    assert connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0] == "delete"
    connection.close()
    with Store(tmp_path) as store:
        assert store.rows("PRAGMA journal_mode")[0][0] == "wal"
        assert [found.name for found in store.jobs()] == ["Lantern"]


def test_the_id_of_a_service_stays(tmp_path: Path) -> None:
    with Store(tmp_path) as first:
        known = first.service_id
    with Store(tmp_path) as second:
        assert second.service_id == known
