"""Drops are given out when they are whole and still, once a state, whatever happens to them."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from stemprep.model.service import Inbox
from stemprep.service.inbox.arrivals import Arrivals, Drop, Held, Hint

SETTLE_S = 10.0


@dataclass
class Watching:
    """An inbox under watch, with a clock that only the test moves."""

    inbox: Path
    arrivals: Arrivals
    now_s: float = 0.0
    received: list[Drop] = field(default_factory=list)
    ready: list[Drop] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)

    def wait(self, seconds: float, *hints: Hint) -> list[Drop]:
        """Scan every second of a while; return what became ready in it."""
        ready: list[Drop] = []
        for _ in range(int(seconds)):
            found = self.arrivals.scan(self.now_s, hints)
            self.received += found.received
            self.held += found.held
            ready += found.ready
            self.now_s += 1.0
        self.ready += ready
        return ready


Watch = Callable[..., Watching]


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    def start(*, ready_marker: str | None = None, is_polled: bool = False) -> Watching:
        folder = tmp_path / "inbox"
        folder.mkdir(exist_ok=True)
        inbox = Inbox(
            path=folder,
            specs=("base",),
            deliver_to=(tmp_path / "out",),
            settle_s=SETTLE_S,
            ready_marker=ready_marker,
            is_polled=is_polled,
        )
        return Watching(folder, Arrivals([inbox]))

    return start


def names(drops: list[Drop]) -> list[str]:
    return [drop.name for drop in drops]


def test_a_still_folder_is_given_out_once_with_its_size(watch: Watch) -> None:
    watching = watch()
    (watching.inbox / "Song" / "Drums").mkdir(parents=True)
    (watching.inbox / "Song" / "Drums" / "Kick.wav").write_bytes(b"k" * 70_000)
    (watching.inbox / "Song" / "Bass.wav").write_bytes(b"b" * 100)
    assert not watching.wait(10)
    (drop,) = watching.wait(60)
    assert (drop.name, drop.files, drop.size_bytes) == ("Song", 2, 70_100)
    assert drop.path == watching.inbox / "Song"
    assert names(watching.received) == ["Song"]
    assert watching.arrivals.is_quiet


def test_what_lies_there_at_the_start_is_given_out(watch: Watch, tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    for number in range(3):
        (tmp_path / "inbox" / f"{number}.wav").write_bytes(b"x")
    assert names(watch().wait(12)) == ["0.wav", "1.wav", "2.wav"]


def test_a_growing_file_waits_until_it_has_kept_still(watch: Watch) -> None:
    watching = watch()
    take = watching.inbox / "take.wav"
    for _ in range(20):
        with take.open("ab") as stream:
            stream.write(b"x" * 1000)
        assert not watching.wait(4)
    (drop,) = watching.wait(20)
    assert drop.size_bytes == 20_000


def test_a_pause_shorter_than_the_settle_time_does_not_count(watch: Watch) -> None:
    watching = watch()
    take = watching.inbox / "take.wav"
    take.write_bytes(b"x" * 1000)
    assert not watching.wait(8)
    take.write_bytes(b"x" * 2000)
    assert not watching.wait(8)
    assert len(watching.wait(10)) == 1


@pytest.mark.parametrize("when_s", [4, 9])
def test_content_alone_tells_of_a_file_that_was_made_full_size_first(
    watch: Watch, when_s: int
) -> None:
    """Size constant, modification time set back after every write."""
    watching = watch()
    take = watching.inbox / "take.wav"
    take.write_bytes(bytes(1_000_000))
    os.utime(take, ns=(10**18, 10**18))
    watching.wait(when_s)
    with take.open("r+b") as stream:
        stream.seek(500_000)
        stream.write(b"x" * 200_000)
    os.utime(take, ns=(10**18, 10**18))
    assert not watching.wait(when_s)
    assert len(watching.wait(30)) == 1


def test_content_is_compared_where_times_tell_nothing(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A share that keeps no change time: only the sample at both ends of the wait is left."""
    watching = watch()
    take = watching.inbox / "take.wav"
    take.write_bytes(bytes(1_000_000))
    os.utime(take, ns=(10**18, 10**18))
    monkeypatch.setattr(
        "stemprep.service.inbox.tree_snapshot._fingerprints_of", lambda status: (b"same", b"same")
    )
    watching.wait(5)
    with take.open("r+b") as stream:
        stream.seek(400_000)
        stream.write(b"x" * 130_000)
    assert not watching.wait(9)
    assert len(watching.wait(30)) == 1


def test_a_file_open_for_writing_is_not_taken_however_still(watch: Watch) -> None:
    watching = watch()
    with (watching.inbox / "take.wav").open("wb") as stream:
        stream.write(b"x" * 5000)
        stream.flush()
        assert not watching.wait(200)
        (held,) = watching.held
        assert held.reason == "it is still open for writing"
        assert held.detail.startswith("take.wav, by ")
    assert len(watching.wait(61)) == 1


def test_a_file_open_for_reading_is_taken(watch: Watch) -> None:
    watching = watch()
    (watching.inbox / "take.wav").write_bytes(b"x")
    with (watching.inbox / "take.wav").open("rb"):
        assert len(watching.wait(15)) == 1


def test_an_unfinished_transfer_holds_its_folder_back_and_is_told(watch: Watch) -> None:
    watching = watch()
    song = watching.inbox / "Song"
    song.mkdir()
    (song / "Kick.wav").write_bytes(b"x" * 10)
    (song / "Snare.wav.part").write_bytes(b"x" * 10)
    assert not watching.wait(200)
    assert [held.name for held in watching.held] == ["Song"]
    assert watching.held[0].detail == "Snare.wav.part"
    assert watching.arrivals.is_quiet
    (song / "Snare.wav.part").rename(song / "Snare.wav")
    (drop,) = watching.wait(100)
    assert drop.files == 2


def test_an_unfinished_transfer_beside_a_bare_file_holds_it_back(watch: Watch) -> None:
    watching = watch()
    (watching.inbox / "take.wav").write_bytes(b"")
    part = watching.inbox / "take.wav.part"
    part.write_bytes(b"x" * 10)
    assert not watching.wait(100)
    part.rename(watching.inbox / "take.wav")
    assert names(watching.wait(100)) == ["take.wav"]


def test_a_resumed_copy_is_a_new_state(watch: Watch) -> None:
    watching = watch()
    take = watching.inbox / "take.wav"
    take.write_bytes(b"x" * 1000)
    (half,) = watching.wait(30)
    with take.open("ab") as stream:
        stream.write(b"y" * 1000)
    (whole,) = watching.wait(100)
    assert whole.name == half.name
    assert whole.fingerprint != half.fingerprint
    assert whole.size_bytes == 2000


def test_an_edit_of_the_same_size_is_a_new_state_and_touching_permissions_is_none(
    watch: Watch,
) -> None:
    watching = watch()
    song = watching.inbox / "Song"
    song.mkdir()
    (song / "Kick.wav").write_bytes(b"x" * 1000)
    (first,) = watching.wait(30)
    (song / "Kick.wav").chmod(0o600)
    (song / ".DS_Store").write_bytes(b"clutter")
    os.link(song / "Kick.wav", watching.inbox.parent / "backup.wav")
    assert not watching.wait(200)
    (song / "Kick.wav").write_bytes(b"y" * 1000)
    (second,) = watching.wait(200)
    assert second.fingerprint != first.fingerprint


def test_a_hint_makes_a_change_deep_inside_be_seen_at_once(watch: Watch) -> None:
    watching = watch()
    song = watching.inbox / "Song"
    song.mkdir()
    (song / "Kick.wav").write_bytes(b"x" * 1000)
    watching.wait(65)
    (song / "Kick.wav").write_bytes(b"y" * 1001)
    watching.wait(1, Hint(inbox_index=0, name="Song"))
    assert len(watching.wait(12)) == 1


def test_a_removed_drop_is_forgotten_and_given_out_when_it_comes_back(watch: Watch) -> None:
    watching = watch()
    song = watching.inbox / "Song"
    song.mkdir()
    (song / "Kick.wav").write_bytes(b"x" * 1000)
    (first,) = watching.wait(30)
    song.rename(watching.inbox.parent / "elsewhere")
    assert not watching.wait(30)
    (watching.inbox.parent / "elsewhere").rename(song)
    (again,) = watching.wait(30)
    assert again.fingerprint == first.fingerprint


def test_a_renamed_drop_is_a_drop_of_its_new_name(watch: Watch) -> None:
    watching = watch()
    (watching.inbox / "A.wav").write_bytes(b"x")
    watching.wait(15)
    (watching.inbox / "A.wav").rename(watching.inbox / "B.wav")
    assert names(watching.wait(15)) == ["B.wav"]


def test_hard_links_are_drops_each(watch: Watch) -> None:
    watching = watch()
    (watching.inbox / "A.wav").write_bytes(b"x")
    os.link(watching.inbox / "A.wav", watching.inbox / "B.wav")
    assert names(watching.wait(15)) == ["A.wav", "B.wav"]


def test_links_and_special_files_are_told_and_never_opened(watch: Watch, tmp_path: Path) -> None:
    watching = watch()
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.wav").write_bytes(b"secret")
    (watching.inbox / "link").symlink_to(outside)
    os.mkfifo(watching.inbox / "pipe")  # opening it would wait for ever
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(watching.inbox / "sock"))
        assert not watching.wait(100)
    assert [held.name for held in watching.held] == ["link", "pipe", "sock"]


def test_links_and_special_files_inside_a_drop_are_never_followed(
    watch: Watch, tmp_path: Path
) -> None:
    watching = watch()
    song = watching.inbox / "Song"
    song.mkdir()
    (song / "Kick.wav").write_bytes(b"x" * 10)
    (song / "loop").symlink_to(".")
    (song / "out").symlink_to(tmp_path)
    os.mkfifo(song / "pipe.wav")
    (drop,) = watching.wait(15)
    assert (drop.files, drop.size_bytes) == (1, 10)


@pytest.mark.parametrize("time_s", [-86_400, 0, 4_000_000_000])
def test_odd_times_do_no_harm(watch: Watch, time_s: int) -> None:
    watching = watch()
    take = watching.inbox / "take.wav"
    take.write_bytes(b"x")
    os.utime(take, (time_s, time_s))
    assert len(watching.wait(12)) == 1


def test_an_empty_folder_is_waited_for_in_silence(watch: Watch) -> None:
    watching = watch()
    (watching.inbox / "Song").mkdir()
    assert not watching.wait(300)
    assert not watching.held
    assert watching.arrivals.is_quiet
    (watching.inbox / "Song" / "Kick.wav").write_bytes(b"x")
    assert len(watching.wait(100)) == 1


def test_with_a_ready_marker_only_the_marker_counts(watch: Watch) -> None:
    watching = watch(ready_marker="COMPLETE")
    song = watching.inbox / "Song"
    song.mkdir()
    (song / "Kick.wav").write_bytes(b"x")
    (watching.inbox / "take.wav").write_bytes(b"x")
    assert not watching.wait(200)
    assert {held.name for held in watching.held} == {"Song", "take.wav"}
    (song / "COMPLETE").touch()
    (watching.inbox / "take.wav.COMPLETE").touch()
    ready = watching.wait(40)
    assert sorted(names(ready)) == ["Song", "take.wav"]
    assert all(drop.files == 1 for drop in ready)
    (song / "COMPLETE").unlink()
    assert not watching.wait(200)  # the marker is no part of the drop


def test_a_marked_drop_does_not_wait_for_the_settle_time(watch: Watch) -> None:
    watching = watch(ready_marker="COMPLETE")
    song = watching.inbox / "Song"
    song.mkdir()
    (song / "Kick.wav").write_bytes(b"x")
    (song / "COMPLETE").touch()
    assert len(watching.wait(5)) == 1


def test_an_inbox_that_goes_away_is_told_and_loses_nothing(watch: Watch) -> None:
    watching = watch()
    (watching.inbox / "take.wav").write_bytes(b"x")
    assert len(watching.wait(15)) == 1
    away = watching.inbox.rename(watching.inbox.parent / "away")
    (trouble,) = watching.arrivals.scan(watching.now_s).unreachable
    assert "cannot be listed" in trouble.reason
    away.rename(watching.inbox)
    watching.now_s += 10
    assert not watching.wait(100)  # still the same state: not given out twice
    (watching.inbox / "new.wav").write_bytes(b"x")
    assert names(watching.wait(80)) == ["new.wav"]


def test_a_drop_that_cannot_be_looked_into_is_told_at_once_and_when_that_lasts(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    watching = watch()
    (watching.inbox / "take.wav").write_bytes(b"x")
    watching.wait(2)

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as closed:
        closed.setattr("stemprep.service.inbox.drop_watcher.look_at", refuse)
        assert not watching.wait(300)
    assert [held.name for held in watching.held] == ["take.wav"] * 2
    assert [held.is_lasting for held in watching.held] == [False, True]
    assert "Permission denied" in watching.held[0].reason
    assert len(watching.wait(80)) == 1
    assert [held.reason for held in watching.held[2:]] == [""]  # no longer held back


def test_a_folder_that_was_closed_from_the_start_is_told_and_taken_once_open(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    watching = watch()
    (watching.inbox / "take.wav").write_bytes(b"x")

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as closed:
        closed.setattr("stemprep.service.inbox.drop_watcher.look_at", refuse)
        assert not watching.wait(100)
    assert len(watching.held) == 1
    assert len(watching.wait(100)) == 1


def test_more_names_than_an_inbox_may_hold_are_told(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stemprep.service.inbox.inbox.MAX_NAMES", 3)
    watching = watch()
    for number in range(5):
        (watching.inbox / f"{number}.wav").write_bytes(b"x")
    assert len(watching.wait(30)) == 3
    assert [held.name for held in watching.held] == [""]


def test_a_drop_with_too_many_entries_is_given_out_to_be_refused(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stemprep.service.inbox.tree_snapshot.MAX_ENTRIES", 10)
    watching = watch()
    song = watching.inbox / "Song"
    song.mkdir()
    for number in range(50):
        (song / f"{number}.wav").write_bytes(b"x")
    (drop,) = watching.wait(30)
    assert drop.files > 10


def test_a_deep_tree_comes_to_an_end(watch: Watch) -> None:
    watching = watch()
    place = watching.inbox / "Song"
    place.mkdir()
    handle = os.open(place, os.O_RDONLY)
    for _ in range(300):
        os.mkdir("d", dir_fd=handle)
        below = os.open("d", os.O_RDONLY, dir_fd=handle)
        os.close(handle)
        handle = below
    os.close(handle)
    (place / "take.wav").write_bytes(b"x")
    assert len(watching.wait(30)) == 1


def test_a_forgotten_drop_is_given_out_again(watch: Watch) -> None:
    watching = watch()
    (watching.inbox / "take.wav").write_bytes(b"x")
    (drop,) = watching.wait(15)
    watching.arrivals.forget(watching.inbox, drop.name)
    assert watching.wait(20) == [drop]


def test_a_name_that_is_no_text_is_given_out(watch: Watch) -> None:
    watching = watch()
    Path(os.fsdecode(os.fsencode(watching.inbox) + b"/t\xe4ke.wav")).write_bytes(b"x")
    (drop,) = watching.wait(15)
    assert drop.name == "t\\xE4ke.wav"
    assert drop.path.read_bytes() == b"x"


def test_a_thousand_drops_are_each_given_out_once(watch: Watch) -> None:
    watching = watch()
    for number in range(1000):
        (watching.inbox / f"{number:04}.wav").write_bytes(b"x")
        if number % 100 == 0:
            watching.wait(1)
    watching.wait(30)
    assert sorted(names(watching.ready)) == [f"{number:04}.wav" for number in range(1000)]


def test_a_copy_that_ends_while_its_writer_is_looked_for_is_not_given_out_half(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Still for long enough, then written on and closed just before programs are looked through."""
    watching = watch()
    take = watching.inbox / "take.wav"
    take.write_bytes(b"x" * 200)
    rest = [b"y" * 200]

    def nobody_any_more(drops: object) -> dict[Path, str]:
        if rest:
            with take.open("ab") as stream:
                stream.write(rest.pop())
        return {}

    monkeypatch.setattr("stemprep.service.inbox.arrivals.open_for_writing", nobody_any_more)
    ready = watching.wait(60)
    assert [(drop.name, drop.size_bytes) for drop in ready] == [("take.wav", 400)]
