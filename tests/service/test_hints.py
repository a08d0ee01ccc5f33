"""Events only wake: they name where to look, and their loss is told and costs no drop."""

from __future__ import annotations

import errno
import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver, ObservedWatch

from stemprep.model.service import Inbox
from stemprep.service.inbox.arrivals import Arrivals, Hint
from stemprep.service.inbox.events import MAX_HINTS, Hints


def box(path: Path, *, is_polled: bool = False) -> Inbox:
    path.mkdir(exist_ok=True)
    return Inbox(
        path=path, specs=("base",), deliver_to=(path / "out",), settle_s=0.2, is_polled=is_polled
    )


@contextmanager
def listening(*inboxes: Inbox, new_observer: Any = Observer) -> Iterator[Hints]:
    hints = Hints(inboxes, new_observer)
    hints.start()
    try:
        yield hints
    finally:
        hints.close()


def all_until(hints: Hints, wanted: Hint) -> set[Hint]:
    """Gather hints until the wanted one has come, however busy the machine is."""
    found: set[Hint] = set()
    end_s = time.monotonic() + 100
    while wanted not in found and time.monotonic() < end_s:
        found |= hints.wait(0.2)
    return found


def test_what_arrives_at_the_top_is_named(tmp_path: Path) -> None:
    inbox = box(tmp_path / "in")
    with listening(inbox) as hints:
        assert hints.troubles() == ()
        (inbox.path / "Song" / "Drums").mkdir(parents=True)
        assert all_until(hints, Hint(inbox_index=0, name="Song"))


def test_listeners_that_have_ended_are_told(tmp_path: Path) -> None:
    with listening(box(tmp_path / "in")) as hints:
        assert hints._observer is not None
        hints._observer.stop()
        hints._observer.join()
        assert hints.wait(1) == {Hint(inbox_index=0)}
        assert "have ended" in hints.troubles()[0]
        assert hints.wait(0) == frozenset()


def test_its_own_end_is_no_error(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """An event that is on its way while the listening ends is told by the library as an error."""

    class Complaining(Observer):  # type: ignore[misc,valid-type]
        def stop(self) -> None:
            logging.getLogger("watchdog.observers.inotify").error("called when inactive")
            super().stop()

    with listening(box(tmp_path / "in"), new_observer=Complaining):
        pass
    assert caplog.records == []
    logging.getLogger("watchdog.observers.inotify").error("a fault")
    assert [record.message for record in caplog.records] == ["a fault"]


def test_a_rename_names_both_ends(tmp_path: Path) -> None:
    inbox = box(tmp_path / "in")
    (inbox.path / "A.wav").write_bytes(b"x")
    with listening(inbox) as hints:
        (inbox.path / "A.wav").rename(inbox.path / "B.wav")
        found = all_until(hints, Hint(inbox_index=0, name="B.wav"))
    assert {Hint(inbox_index=0, name="A.wav"), Hint(inbox_index=0, name="B.wav")} <= found


def test_wake_ends_a_wait_at_once(tmp_path: Path) -> None:
    with listening(box(tmp_path / "in")) as hints:
        hints.wake()
        begun_s = time.monotonic()
        assert hints.wait(300) == frozenset()
        assert time.monotonic() - begun_s < 100


def test_a_polled_inbox_is_not_listened_to(tmp_path: Path) -> None:
    def refuse() -> BaseObserver:
        pytest.fail("an observer was made")

    inbox = box(tmp_path / "in", is_polled=True)
    with listening(inbox, new_observer=refuse) as hints:
        (inbox.path / "A.wav").write_bytes(b"x")
        assert hints.wait(0.01) == frozenset()
        assert hints.troubles() == ()


class Refusing(Observer):  # type: ignore[misc,valid-type]
    """Stands for a system whose limits are reached: errno as in inotify_add_watch(2)."""

    def schedule(self, *_: Any, **__: Any) -> ObservedWatch:
        raise OSError(errno.ENOSPC, "no space left on device")


def test_a_reached_watch_limit_is_told_as_such_and_looking_goes_on(tmp_path: Path) -> None:
    inbox = box(tmp_path / "in")
    with listening(inbox, new_observer=Refusing) as hints:
        hints.wait(0)
        (first, *_) = hints.troubles()
        assert "max_user_watches" in first
        assert "the disk is not full" in first
        assert hints.troubles() == ()
        (inbox.path / "A.wav").write_bytes(b"x")
        arrivals = Arrivals([inbox])
        ready: list[str] = []
        end_s = time.monotonic() + 100
        while not ready and time.monotonic() < end_s:
            ready += [drop.name for drop in arrivals.scan(time.monotonic(), hints.wait(0.05)).ready]
        assert ready == ["A.wav"]


def test_no_instances_left_is_told(tmp_path: Path) -> None:
    def refuse() -> BaseObserver:
        raise OSError(errno.EMFILE, "inotify instance limit reached")

    with listening(box(tmp_path / "in"), new_observer=refuse) as hints:
        assert "max_user_instances" in hints.troubles()[0]


def test_an_overflow_has_everything_looked_at(tmp_path: Path) -> None:
    """What watchdog writes into its log when inotify(7) reports IN_Q_OVERFLOW."""
    with listening(box(tmp_path / "a"), box(tmp_path / "b")) as hints:
        logging.getLogger("watchdog.observers.inotify_c").warning(
            "Inotify queue overflowed; filesystem events were lost"
        )
        assert {Hint(inbox_index=0), Hint(inbox_index=1)} <= hints.wait(1)
        assert "were lost" in hints.troubles()[0]


def test_hints_are_bounded(tmp_path: Path) -> None:
    hints = Hints([box(tmp_path / "in")])
    for number in range(MAX_HINTS * 3):
        hints.hint(Hint(inbox_index=0, name=str(number)))
    found = hints.wait(0)
    assert Hint(inbox_index=0) in found
    assert len(found) <= MAX_HINTS


def test_after_lost_events_a_change_deep_inside_is_found_at_once(tmp_path: Path) -> None:
    inbox = box(tmp_path / "in", is_polled=True)
    song = inbox.path / "Song"
    song.mkdir()
    (song / "Kick.wav").write_bytes(b"x")
    arrivals = Arrivals([inbox], rescan_s=10_000)
    ready = [arrivals.scan(now_s).ready for now_s in (0, 1, 2)]
    assert [len(drops) for drops in ready].count(1) == 1
    (song / "Kick.wav").write_bytes(b"yy")
    found = [arrivals.scan(3, {Hint(inbox_index=0)}), *(arrivals.scan(now_s) for now_s in (4, 5))]
    assert sum(len(result.ready) for result in found) == 1
