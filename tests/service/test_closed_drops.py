"""A drop that the service may not read is told where people look, and taken once it may."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from stemprep.errors import InputError
from stemprep.model.service import ServiceConfig
from stemprep.service import runner
from stemprep.service.enqueue import Enqueuer
from stemprep.service.inbox.arrivals import Arrivals
from stemprep.service.inbox.unreadable import closed_words, words_without_place
from stemprep.service.jobs import Job, State
from stemprep.service.manage_jobs import give_up
from stemprep.service.notices import Notice, Notices, wording
from stemprep.service.places import Places
from stemprep.service.service import Service
from stemprep.service.state_folder import state_folder
from stemprep.service.store import Store
from stemprep.service.store_file import StoreError
from tests.service.rights import without_rights
from tests.service.studio import Studio, digests, hurry

REQUIRED = (
    "cannot be read (Permission denied",
    "must be able to read",
    "chmod -R u+rX",
    "by itself",
)


@pytest.fixture
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Studio:
    hurry(monkeypatch)
    return Studio.built(tmp_path)


def run(studio: Studio) -> list[tuple[int, str]]:
    """Work off what lies there with the rights of an ordinary account; job and kind of notices."""
    told: list[Notice] = []

    class Listening(Notices):
        def enqueue(self, notice: Notice) -> bool:
            told.append(notice)
            return super().enqueue(notice)

    with without_rights(), state_folder(studio.config.state), Store(studio.config.state) as store:
        Service(config=studio.config, store=store, notices=Listening(()), is_once=True).run()
    return sorted({(notice.job, notice.kind) for notice in told})


def only(studio: Studio) -> Job:
    (job,) = studio.jobs()
    return job


def test_a_closed_folder_is_in_the_list_of_jobs_and_taken_once_open(studio: Studio) -> None:
    drop = studio.drop("Lantern")
    before = digests(drop)
    drop.chmod(0)
    assert run(studio) == [(1, "held-back")]
    job = only(studio)
    assert job.state == "arriving"
    assert job.reason.startswith(f"{drop}: cannot be read")
    assert "d---------" in job.reason
    for part in REQUIRED:
        assert part in job.reason
    assert run(studio) == []  # told once, also by a service that was started again
    assert only(studio).state == "arriving"
    drop.chmod(0o700)
    assert run(studio) == [(1, "delivered"), (1, "received")]
    assert (only(studio).state, only(studio).reason) == ("delivered", "")
    assert digests(drop) == before


@pytest.mark.parametrize("closed", ["Kick.wav", "notes.pdf", "session.yaml", "takes"])
def test_what_cannot_be_read_in_a_drop_is_named(studio: Studio, closed: str) -> None:
    drop = studio.drop("Lantern")
    (drop / "takes").mkdir()
    shutil.copy(drop / "Kick.wav", drop / "takes" / "Clap.wav")
    (drop / "notes.pdf").write_bytes(b"%PDF-1.4")
    (drop / "session.yaml").write_text("title: Lantern\n")
    (drop / closed).chmod(0)
    assert run(studio) == [(1, "received"), (1, "refused")]
    job = only(studio)
    assert job.state == "refused"
    assert job.reason.startswith(f"{drop / closed}: cannot be read")
    for part in REQUIRED:
        assert part in job.reason
    (drop / closed).chmod(0o700)
    run(studio)
    assert [job.state for job in studio.jobs()] == ["refused", "delivered"]


def test_a_folder_that_can_be_listed_but_not_entered_is_named_itself(studio: Studio) -> None:
    drop = studio.drop("Lantern")
    drop.chmod(0o444)
    run(studio)
    assert only(studio).reason.startswith(f"{drop}: cannot be read")
    drop.chmod(0o700)


def test_several_closed_files_are_counted(studio: Studio) -> None:
    drop = studio.drop("Lantern")
    for path in drop.iterdir():
        path.chmod(0)
    run(studio)
    assert only(studio).reason.startswith(f"{drop / 'Bass.wav'}: ")
    assert only(studio).reason.endswith("(and 2 more like it)")


def test_a_drop_closed_while_it_is_worked_on_is_no_fault_of_the_machine(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    drop = studio.drop("Lantern")
    prepared_drop = runner.prepared_drop

    def closing(path: Path, *arguments: object, **options: object) -> object:
        path.chmod(0)
        return prepared_drop(path, *arguments, **options)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(runner, "prepared_drop", closing)
        run(studio)
    assert (only(studio).state, only(studio).attempts) == ("arriving", 0)
    assert words_without_place(only(studio).reason).startswith("cannot be read (Permission denied")
    drop.chmod(0o700)
    run(studio)
    assert only(studio).state == "delivered"


@pytest.mark.parametrize(
    ("uid_delta", "groups", "advice"),
    [
        (0, [], "with chmod -R u+rX on"),
        (1, ["own"], "with chmod -R g+rX on"),
        (1, [], "with chgrp -R 4711 and chmod -R g+rX on"),
    ],
)
def test_the_advice_gives_the_service_a_right_and_nobody_else(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    uid_delta: int,
    groups: list[str],
    advice: str,
) -> None:
    """Which class of permissions counts: path_resolution(7)."""
    own = tmp_path.stat()
    monkeypatch.setattr(os, "geteuid", lambda: own.st_uid + uid_delta)
    monkeypatch.setattr(os, "getegid", lambda: 4711)
    monkeypatch.setattr(os, "getgroups", lambda: [own.st_gid for _ in groups])
    words = closed_words(tmp_path, PermissionError(errno.EACCES, "Permission denied"))
    assert advice in words
    assert str(tmp_path) not in words


def test_a_disk_that_fails_is_not_told_as_a_missing_right(tmp_path: Path) -> None:
    words = closed_words(tmp_path, OSError(errno.EIO, "Input/output error"))
    assert words.startswith("cannot be read (Input/output error)")
    assert "check the disk or share" in words
    assert "chmod" not in words


# --- one service that goes on for long, on a clock of the test's own


@dataclass
class Desk:
    """Arrivals and store as the service joins them."""

    config: ServiceConfig
    store: Store
    now_s: float = 0.0
    arrivals: Arrivals = field(init=False)

    def __post_init__(self) -> None:
        self.arrivals = Arrivals(self.config.inboxes)

    def wait(self, seconds: int) -> None:
        places = Places(self.config, self.store)
        taking = Enqueuer(config=self.config, store=self.store, places=places)
        with without_rights():
            for _ in range(seconds):
                self.now_s += 1.0
                found = self.arrivals.scan(self.now_s)
                for drop in found.received:
                    taking.announce(drop, self.now_s)
                for drop in found.ready:
                    taking.take(drop, self.now_s)
                for held in found.held:
                    taking.hold(held, self.now_s, is_lasting=held.is_lasting)
                if found.is_any_gone:
                    taking.miss(self.now_s)

    def end_job(self, state: State) -> None:
        (job,) = self.store.jobs(("waiting",))
        with self.store.change() as connection:
            connection.execute("UPDATE jobs SET state = ? WHERE job = ?", (state, job.job))

    @property
    def states(self) -> list[str]:
        return [job.state for job in self.store.jobs()]

    @property
    def kinds(self) -> list[str]:
        return [kind for _, kind in self.store.notices_due()]


@pytest.fixture
def desk(studio: Studio) -> Desk:
    return Desk(studio.config, Store(studio.config.state))


def test_a_notice_goes_out_when_it_lasts_and_once(studio: Studio, desk: Desk) -> None:
    """Programs that copy close what they make until it is whole (common practice, no source)."""
    drop = studio.drop("Lantern")
    drop.chmod(0)
    desk.wait(30)
    assert desk.store.jobs()[0].reason
    assert desk.kinds == []
    desk.wait(60)
    assert desk.kinds == ["held-back"]
    desk.store.notice_sent(1, "held-back")
    desk.arrivals = Arrivals(desk.config.inboxes)  # the service was started again
    drop.chmod(0o070)  # another finding, the same cause
    desk.wait(600)
    assert desk.kinds == []
    assert "d---rwx---" in desk.store.jobs()[0].reason


def test_what_opens_and_still_grows_is_not_told_as_closed(studio: Studio, desk: Desk) -> None:
    drop = studio.drop("Lantern")
    drop.chmod(0)
    desk.wait(5)
    assert desk.store.jobs()[0].reason
    drop.chmod(0o700)
    (drop / "Clap.wav.part").write_bytes(b"x")
    desk.wait(3)
    assert (desk.states, desk.store.jobs()[0].reason) == (["arriving"], "")


def test_that_it_opened_while_the_service_was_down_ends_the_telling(
    studio: Studio, desk: Desk
) -> None:
    drop = studio.drop("Lantern")
    drop.chmod(0)
    desk.wait(5)
    drop.chmod(0o700)
    (drop / "Clap.wav.part").write_bytes(b"x")
    desk.arrivals = Arrivals(desk.config.inboxes)
    desk.wait(3)
    assert (desk.states, desk.store.jobs()[0].reason) == (["arriving"], "")


def test_the_telling_ends_when_the_drop_is_taken_away(studio: Studio, desk: Desk) -> None:
    drop = studio.drop("Lantern")
    drop.chmod(0)
    desk.wait(5)
    assert desk.states == ["arriving"]
    drop.rename(studio.root / "elsewhere")
    desk.wait(5)
    assert desk.states == ["gone"]


@pytest.mark.parametrize(
    ("state", "then"),
    [
        ("delivered", ["delivered", "arriving"]),
        ("refused", ["refused", "arriving"]),
        ("set-aside", ["changed", "arriving"]),
    ],
)
def test_a_closed_drop_in_place_of_one_that_was_done_is_a_new_one(
    studio: Studio, desk: Desk, state: State, then: list[str]
) -> None:
    """The next version of a mix, copied with other rights."""
    drop = studio.drop("Lantern")
    desk.wait(5)
    desk.end_job(state)
    drop.rename(studio.root / "elsewhere")
    studio.drop("Lantern", seed=2).chmod(0)
    desk.wait(90)
    assert desk.states == then
    drop.chmod(0o700)
    desk.wait(90)
    assert desk.states == [then[0], "waiting"]


def test_a_delivered_drop_that_is_only_closed_keeps_nobody_waiting(
    studio: Studio, desk: Desk
) -> None:
    drop = studio.drop("Lantern")
    desk.wait(5)
    desk.end_job("delivered")
    drop.chmod(0)
    desk.wait(300)
    desk.arrivals = Arrivals(desk.config.inboxes)
    desk.wait(300)
    assert desk.states == ["delivered"]
    drop.chmod(0o700)
    desk.wait(300)
    assert desk.states == ["delivered"]


def test_a_closed_drop_that_was_given_up_is_told_no_more(studio: Studio, desk: Desk) -> None:
    studio.drop("Reel")
    desk.wait(5)
    drop = studio.drop("Lantern")
    drop.chmod(0)
    desk.wait(5)
    give_up(desk.store, 2, desk.now_s)
    desk.wait(300)
    desk.arrivals = Arrivals(desk.config.inboxes)
    desk.wait(300)
    assert desk.states == ["waiting", "given-up"]
    drop.chmod(0o700)
    desk.wait(90)
    assert desk.states == ["waiting", "given-up", "waiting"]


def test_a_store_that_refuses_once_costs_no_telling(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    studio.drop("Lantern").chmod(0)
    move, set_fields = Store._move, Store.set_fields
    refusals = [StoreError("refused"), StoreError("refused")]

    def refusing(method: Callable[..., Any]) -> Callable[..., Any]:
        def called(*arguments: Any, **named: Any) -> Any:
            if refusals:
                raise refusals.pop()
            return method(*arguments, **named)

        return called

    monkeypatch.setattr(Store, "_move", refusing(move))
    monkeypatch.setattr(Store, "set_fields", refusing(set_fields))
    assert run(studio) == [(1, "held-back")]
    assert only(studio).reason


def test_the_notice_names_nothing_unless_titles_are_allowed() -> None:
    notice = Notice(kind="held-back", job=7, name="Slow Ferry Home", headline="/in/Slow: closed")
    title, text = wording([notice], is_title_shown=False)
    assert title == "stemprep: job 7 held back"
    assert "cannot read its drop" in text
    assert "stemprep jobs show 7" in text
    assert "Ferry" not in text
    assert "Slow" not in text
    assert "/in/Slow: closed" in wording([notice], is_title_shown=True)[1]


# --- the programs as people run them

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}


def test_the_service_as_a_process_tells_in_jobs_and_health(tmp_path: Path) -> None:
    studio = Studio.built(tmp_path)
    (tmp_path / "service.yaml").write_text(
        "state: state\nrescan_s: 1\n"
        "inboxes:\n  - {path: in, spec: mastering, deliver_to: out, settle_s: 0.2}\n"
    )

    def said(*arguments: str) -> str:
        return subprocess.run(
            ordinary(*arguments), cwd=tmp_path, env=ENVIRONMENT, text=True, capture_output=True,
            check=True, timeout=120,
        ).stdout  # fmt: skip

    drop = studio.drop("Lantern")
    before = digests(drop)
    drop.chmod(0)
    with subprocess.Popen(
        ordinary("watch"), cwd=tmp_path, env=ENVIRONMENT, stderr=subprocess.DEVNULL
    ) as service:
        try:
            until(lambda: [bool(job.reason) for job in jobs_so_far(studio)] == [True])
            (listed,) = json.loads(said("jobs", "--json"))["jobs"]
            assert (listed["state"], listed["drop"]) == ("arriving", "Lantern")
            assert listed["reason"].startswith(f"{drop}: cannot be read (Permission denied")
            told = said("health")
            assert f"note: inbox {tmp_path / 'in'}, job 1: its drop cannot be read" in told
            assert "The service runs; a person should look." in told
            assert "Of 1 in the last day 1 waits for a person (1 held back)." in told
            found = json.loads(said("health", "--json", "-"))
            assert (found["is_well"], found["unread"]) == (True, [1])
            drop.chmod(0o700)
            until(lambda: only(studio).state == "delivered")
            assert "The service is well." in said("health")
            assert json.loads(said("health", "--json", "-"))["unread"] == []
            service.send_signal(signal.SIGTERM)
            assert service.wait(60) == 0
        finally:
            service.kill()
    assert digests(drop) == before


def ordinary(*arguments: str) -> list[str]:
    """A command of stemprep with the rights of an ordinary account."""
    code = (
        "import sys; from tests.service.rights import give_up_rights; give_up_rights(); "
        "from stemprep.cli.main import run; run(sys.argv[1:])"
    )
    return [sys.executable, "-c", code, *arguments, "--config", "service.yaml"]


def jobs_so_far(studio: Studio) -> list[Job]:
    try:
        return studio.jobs()
    except InputError:
        return []  # no store yet


def until(is_so: Callable[[], bool], within_s: float = 120.0) -> None:
    deadline_s = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < deadline_s, "it did not come to that in time"
        time.sleep(0.05)
