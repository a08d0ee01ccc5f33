"""Folders that are not what they seem: nothing is made, moved or lost, and jobs just wait."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path
from threading import Timer
from types import SimpleNamespace

import pytest
from click.testing import CliRunner, Result

from stemprep.cli.main import main
from stemprep.errors import DeliveryError, SpecError, UsageError
from stemprep.model.service import PLACE_FILE
from stemprep.package import packages_of
from stemprep.service import outages, places, runner
from stemprep.service.enqueue import Enqueuer
from stemprep.service.inbox.arrivals import Drop
from stemprep.service.jobs import Job
from stemprep.service.notices import Notices
from stemprep.service.place_making import make_places, renew_place, require_made
from stemprep.service.places import (
    AwayError,
    PlaceRecord,
    Places,
    place_record,
    places_of,
    record_place,
)
from stemprep.service.service import Service
from stemprep.service.store import Store
from stemprep.service.watch import watch
from tests.service.studio import Studio, digests, hurry


@pytest.fixture(autouse=True)
def _hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    hurry(monkeypatch)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """Two destinations and an archive, each below a folder that stands for its mount point."""
    for name in ("first", "second", "shelf"):
        (tmp_path / name).mkdir()
    return Studio.built(
        tmp_path,
        deliver_to=(tmp_path / "first/out", tmp_path / "second/copy"),
        after="archive",
        archive=tmp_path / "shelf/archive",
    )


def unmount(point: Path) -> Path:
    """Leave an empty folder where a share was, as an absent mount does; where the share is now."""
    away = point.with_name(f"{point.name} away")
    point.rename(away)
    point.mkdir()
    return away


def mount(point: Path, away: Path) -> None:
    """Have the share back in its place; what lies in the folder below it would be hidden."""
    point.rename(point.with_name(f"{point.name} below"))
    away.rename(point)


def below(point: Path) -> list[str]:
    """What was written into the folder below a mount while the share was away."""
    return sorted(str(path) for path in point.rglob("*"))


PACKAGE = "Lantern_mastering_01"


@pytest.mark.parametrize("is_folder_there", [False, True], ids=["no folder", "an empty folder"])
@pytest.mark.parametrize("away", ["first", "second", "shelf"])
def test_an_absent_mount_is_no_new_folder(studio: Studio, away: str, is_folder_there: bool) -> None:
    """No original and no package ever goes to the machine's own disk; all goes on by itself."""
    drop = studio.drop("Lantern")
    expected = digests(drop)
    point = studio.root / away
    share = unmount(point)
    if is_folder_there:
        for name in ("out", "copy", "archive"):
            (point / name).mkdir()
    before = below(point)
    for _ in range(5):
        assert studio.run() == 5
        assert below(point) == before
        assert digests(drop) == expected
    (job,) = studio.jobs()
    assert (job.state, job.attempts) == ("waiting" if away == "first" else "published", 0)
    assert job.reason.startswith(outages.WAITING)
    assert "mount its share" in job.reason
    if away != "first":  # who waits for the package has it
        assert (studio.root / "first/out" / PACKAGE).is_dir()
        assert (studio.inbox / "Lantern.receipt.html").is_file()
    mount(point, share)
    assert studio.run() == 0
    assert studio.states() == {"Lantern": "delivered"}
    first, second = studio.root / "first/out" / PACKAGE, studio.root / "second/copy" / PACKAGE
    assert digests(first) == digests(second)
    assert digests(studio.root / "shelf/archive/Lantern") == expected
    assert not drop.exists()
    assert [path.name for path in packages_of(first.parent)] == [PACKAGE]


def steps(studio: Studio) -> list[str]:
    with Store(studio.config.state, "read") as store:
        return [step.state for job in store.jobs() for step in store.steps(job.job)]


def test_an_inbox_that_is_away_loses_no_job(studio: Studio) -> None:
    drop = studio.drop("Lantern")
    away = unmount(studio.root / "first")
    assert studio.run() == 5
    mount(studio.root / "first", away)
    inbox = unmount(studio.inbox)
    assert studio.run() == 5
    assert studio.states() == {"Lantern": "waiting"}
    assert below(studio.inbox) == []
    mount(studio.inbox, inbox)
    assert studio.run() == 0
    assert studio.states() == {"Lantern": "delivered"}
    assert not drop.exists()


def test_jobs_that_still_arrive_stay_while_their_inbox_is_away(studio: Studio) -> None:
    (studio.drop("Lantern") / "Late.wav.part").write_bytes(b"x")
    assert studio.run() == 0
    assert studio.states() == {"Lantern": "arriving"}
    away = unmount(studio.inbox)
    assert studio.run() == 5
    assert studio.states() == {"Lantern": "arriving"}
    mount(studio.inbox, away)
    (studio.inbox / "Lantern/Late.wav.part").unlink()
    assert studio.run() == 0
    assert studio.states() == {"Lantern": "delivered"}


def test_an_inbox_that_goes_while_a_drop_arrives_ends_a_single_run(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Waiting would bring it no further; a service that goes on takes it up when it is back."""
    studio.drop("Lantern")
    announce, shares = Enqueuer.announce, []

    def vanish(self: Enqueuer, drop: Drop, now_s: float) -> None:
        announce(self, drop, now_s)
        shares.append(unmount(studio.inbox))

    monkeypatch.setattr(Enqueuer, "announce", vanish)
    with Store(studio.config.state) as store:
        service = Service(config=studio.config, store=store, notices=Notices(()), is_once=True)
        too_long = Timer(60.0, service.stop)  # it would go on for ever; stopped, it ends with 0
        too_long.start()
        assert service.run() == 5
        too_long.cancel()
    assert studio.states() == {"Lantern": "arriving"}
    monkeypatch.undo()
    mount(studio.inbox, shares[0])
    assert studio.run() == 0
    assert studio.states() == {"Lantern": "delivered"}


def test_what_makes_a_place_away(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    out = studio.root / "first/out"
    with Store(studio.config.state) as store:
        known = Places(studio.config, store)
        assert known.why_away(out) == ""
        record = place_record(store, out)
        assert record is not None
        other = replace(record, disk="nfs4 nas:/outbox")
        record_place(store, out, other)
        assert "lies on another disk" in known.why_away(out)
        assert "(nfs4 nas:/outbox)" in known.why_away(out)
        record_place(store, out, replace(record, identity="f" * 32))
        assert "another place lies there" in known.why_away(out)
        record_place(store, out, record)
        room = {"f_flag": 0, "f_bavail": 10_000, "f_frsize": 4096, "f_blocks": 20_000, "f_fsid": 0}
        monkeypatch.setattr(places, "disk_of", lambda _: record.disk)
        for changes, words in (
            ({"f_flag": os.ST_RDONLY}, "its disk is read-only"),
            ({"f_bavail": 1}, "its disk is full (4.1 kB free)"),
            ({"f_bavail": 0, "f_blocks": 0}, ""),  # a share that does not tell its size
        ):
            with monkeypatch.context() as patched:
                found = SimpleNamespace(**{**room, **changes})
                patched.setattr(os, "fstatvfs", lambda _, found=found: found)
                assert words in known.why_away(out)
                assert bool(words) == bool(known.why_away(out))
        for trap in ("link", "pipe", "folder", "other text"):
            (out / PLACE_FILE).rename(out / "kept")
            if trap == "link":
                (out / PLACE_FILE).symlink_to("kept")
            elif trap == "pipe":
                os.mkfifo(out / PLACE_FILE)
            elif trap == "folder":
                (out / PLACE_FILE).mkdir()
            else:
                (out / PLACE_FILE).write_text("hello")
            assert "without the identity file" in known.why_away(out), trap
            shutil.rmtree(out / PLACE_FILE) if trap == "folder" else (out / PLACE_FILE).unlink()
            (out / "kept").rename(out / PLACE_FILE)
        assert known.why_away(out) == ""
        out.rename(studio.root / "elsewhere")
        out.write_text("a file")
        assert "no folder has its name" in known.why_away(out)


def test_a_copy_of_a_place_is_not_taken_for_it(studio: Studio) -> None:
    """A second inbox's identity in the destination: all that is compared is what was recorded."""
    shutil.copy(studio.inbox / PLACE_FILE, studio.root / "first/out" / PLACE_FILE)
    studio.drop("Lantern")
    assert studio.run() == 5
    assert "is not the one recorded" in studio.jobs()[0].reason


def test_a_place_that_goes_while_a_package_is_written(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the check and the last step; the package then lies on the share, and only there."""
    drop = studio.drop("Lantern")
    expected = digests(drop)
    point, shares = studio.root / "first", []
    set_fields = Store.set_fields

    def vanish(self: Store, number: int, /, **fields: object) -> None:
        set_fields(self, number, **fields)
        if "tag_sha256" in fields and not shares:  # sealed, and not visible yet
            shares.append(unmount(point))
            (point / "out").mkdir()

    monkeypatch.setattr(Store, "set_fields", vanish)
    assert studio.run() == 5
    assert below(point) == [str(point / "out")]
    assert digests(drop) == expected
    (job,) = studio.jobs()
    assert (job.state, job.attempts) == ("waiting", 0)
    mount(point, shares[0])
    assert studio.run() == 0
    assert [path.name for path in packages_of(point / "out")] == [PACKAGE]
    assert digests(studio.root / "shelf/archive/Lantern") == expected


@pytest.mark.parametrize("is_far", [False, True], ids=["same disk", "another disk"])
def test_an_archive_that_goes_between_check_and_move(
    studio: Studio, monkeypatch: pytest.MonkeyPatch, is_far: bool
) -> None:
    """The only original goes to the share that was proved, or stays; never to the folder below."""
    from contextlib import nullcontext

    from stemprep.service import archive
    from tests.service.dying import archive_on_another_disk

    drop = studio.drop("Lantern")
    expected = digests(drop)
    point, shares = studio.root / "shelf", []
    inventory = archive.inventory

    def vanish(folder: int, name: str, *known: object) -> dict[str, str]:
        if not shares and name.startswith(".leaving-"):
            shares.append(unmount(point))
            (point / "archive").mkdir()
        return inventory(folder, name, *known)  # type: ignore[arg-type]

    monkeypatch.setattr(archive, "inventory", vanish)
    with archive_on_another_disk() if is_far else nullcontext():
        studio.run()
    assert below(point) == [str(point / "archive")]
    assert digests(shares[0] / "archive/Lantern") == expected
    mount(point, shares[0])
    assert studio.run() == 0
    assert studio.states() == {"Lantern": "delivered"}
    assert digests(studio.root / "shelf/archive/Lantern") == expected
    assert not drop.exists()


def test_an_inbox_that_was_away_for_a_moment_gives_no_verdict(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A drop that cannot be read because its inbox is away is not refused, nor taken for gone."""
    drop = studio.drop("Lantern")
    expected = digests(drop)
    prepared_drop, blinks = runner.prepared_drop, []

    def blinking(*arguments: object, **named: object) -> object:
        if not blinks:
            blinks.append(unmount(studio.inbox))
        return prepared_drop(*arguments, **named)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(runner, "prepared_drop", blinking)
        assert studio.run() == 5
    (job,) = studio.jobs()
    assert (job.state, job.attempts) == ("waiting", 0)
    mount(studio.inbox, blinks[0])
    assert studio.run() == 0
    assert digests(studio.root / "shelf/archive/Lantern") == expected
    assert len(studio.jobs()) == 1


def test_outages_beyond_all_attempts_set_nothing_aside(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """15.5 minutes are 30 + 60 + 120 + 240 + 480 s, the waits of the config; an hour is nothing."""
    for number in range(4):
        studio.drop(f"Reel {number}", seed=number)
    away = unmount(studio.root / "first")
    for _ in range(12):  # each start tries at once, so twice the attempts of the config
        assert studio.run() == 5
    assert set(studio.states().values()) == {"waiting"}
    assert {job.attempts for job in studio.jobs()} == {0}
    assert len(steps(studio)) <= 4 * 2  # nobody claims what cannot be done
    mount(studio.root / "first", away)
    assert studio.run() == 0
    assert set(studio.states().values()) == {"delivered"}


def test_word_is_sent_of_one_job_once_an_outage_that_lasts(studio: Studio) -> None:
    for number in range(3):
        studio.drop(f"Reel {number}", seed=number)
    away = unmount(studio.root / "first")
    with Store(studio.config.state) as store:
        found = Places(studio.config, store)
        watch_over = outages.Outages(config=studio.config, store=store, places=found)
        studio.run()
        with store.transaction() as connection:  # a service that ends once tells at once
            assert [tuple(row) for row in connection.execute("SELECT * FROM notices")] == []
        now_s = 1_000_000.0
        for later_s, told in ((0, 0), (299, 0), (301, 1), (3600, 1)):
            watch_over.examine(now_s + later_s, (), is_last_look=False)
            due = [(job.job, kind) for job, kind in store.notices_due()]
            assert due == [(1, "away")] * told
        store.notice_sent(1, "away")
        mount(studio.root / "first", away)
        watch_over.examine(now_s + 4000, (), is_last_look=False)
        assert {job.reason for job in store.jobs()} == {""}
        assert watch_over.blocked.waiting == ()
        away = unmount(studio.root / "first")
        for later_s in (5000, 5301):
            watch_over.examine(now_s + later_s, (), is_last_look=False)
        assert [(job.job, kind) for job, kind in store.notices_due()] == [(1, "away")]
    mount(studio.root / "first", away)


def test_all_jobs_set_aside_are_done_again_by_one_command(studio: Studio) -> None:
    file = studio.root / "service.yaml"
    file.write_text("state: state\ninboxes: [{path: in, spec: base, deliver_to: out}]\n")
    with Store(studio.config.state) as store:
        for name, state in (("a", "set-aside"), ("a", "set-aside"), ("b", "set-aside"),
                            ("c", "refused")):  # fmt: skip
            store.add(Job(job=0, inbox=studio.inbox, name=name, raw_name=name.encode(),
                          spec="base", state=state, attempts=6))  # fmt: skip

    def retried(*arguments: str) -> Result:
        command = ["jobs", "--config", str(file), "retry", *arguments]
        return CliRunner().invoke(main, command, standalone_mode=False)

    assert retried("--state", "set-aside").output == (
        "job 2 is taken up again by the service\n"
        "job 3 is taken up again by the service\n"
        "left as it is: job 1: the drop has changed since; job 2 has taken its place\n"
    )
    found = [(job.state, job.attempts) for job in studio.jobs()]
    assert found == [("set-aside", 6), ("waiting", 0), ("waiting", 0), ("refused", 6)]
    assert retried("--state", "given-up").output == "no job is given-up\n"
    for arguments in (["--state", "delivered"], ["--state", "x"], [], ["1", "--state", "refused"]):
        assert isinstance(retried(*arguments).exception, UsageError), arguments


# --- stemprep places


CONFIG = "state: state\ninboxes: [{path: in, spec: base, deliver_to: [far/out, copy]}]\n"


def asked(folder: Path, *arguments: str, config: str = CONFIG) -> Result:
    (folder / "service.yaml").write_text(config)
    command = ["places", "--config", str(folder / "service.yaml"), *arguments]
    return CliRunner().invoke(main, command, standalone_mode=False)


def test_the_first_start_says_what_to_run(tmp_path: Path) -> None:
    for name in ("in", "far/out"):
        (tmp_path / name).mkdir(parents=True)
    file = tmp_path / "service.yaml"
    file.write_text(CONFIG)
    with pytest.raises(SpecError) as raised:
        watch(file, is_once=True)
    assert raised.value.exit_code == 3  # which no supervisor answers with another start
    assert f"stemprep places --config {file} --make" in str(raised.value)
    assert f"inbox {tmp_path / 'in'}; destination {tmp_path / 'far/out'}" in str(raised.value)
    assert not (tmp_path / "copy").exists()
    made = asked(tmp_path, "--make")
    assert made.return_value == 0, made.output
    assert (tmp_path / "copy").is_dir()
    assert watch(file, is_once=True) == 0


def test_places_are_made_once_and_listed(tmp_path: Path) -> None:
    before = asked(tmp_path)
    assert before.return_value == 5
    assert before.output.count("not made known to the service yet") == 3
    made = asked(tmp_path, "--make")
    assert made.return_value == 0
    assert made.output.count("    made; there, on ") == 3
    identities = [(tmp_path / name / PLACE_FILE).read_text() for name in ("in", "far/out", "copy")]
    assert len(set(identities)) == 3
    assert all(text.startswith("stemprep-place-1\n") for text in identities)
    again = asked(tmp_path, "--make", "--json", "-")
    found = json.loads(again.output)
    assert [place["is_away"] for place in found["places"]] == [False] * 3
    assert [(tmp_path / name / PLACE_FILE).read_text() for name in ("in", "far/out", "copy")] == (
        identities
    )
    unmount(tmp_path / "far")
    gone = asked(tmp_path, "--make")  # what is known and away is never made anew
    assert gone.return_value == 5
    assert "away: it is not there; mount its share" in gone.output
    assert not (tmp_path / "far/out").exists()


def test_a_place_that_has_moved_is_taken_when_a_person_says_so(studio: Studio) -> None:
    out = studio.root / "first/out"
    (out / PLACE_FILE).unlink()
    studio.drop("Lantern")
    assert studio.run() == 5
    with Store(studio.config.state) as store:
        assert renew_place(studio.config, store, out).away == ""
        with pytest.raises(UsageError, match="no inbox, destination or archive"):
            renew_place(studio.config, store, studio.root)
    assert studio.run() == 0


def test_what_is_not_mounted_is_not_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    r"""fstab(5): the second field is the mount point, blanks are written as \040."""
    from stemprep.service import place_making

    far = tmp_path / "far share"
    table = tmp_path / "fstab"
    table.write_text(f"# shares\n\nnas:/x {str(far).replace(' ', chr(92) + '040')} nfs4 ro 0 0\n")
    monkeypatch.setattr(place_making, "FSTAB", table)
    studio = Studio.built(tmp_path / "studio")
    for place, words in (
        (far / "out", "is not mounted"),
        (tmp_path / "no/parent/out", "is not there; mount its share"),
    ):
        (inbox,) = studio.config.inboxes
        config = replace(studio.config, inboxes=(replace(inbox, deliver_to=(place,)),))
        with Store(config.state) as store, pytest.raises(DeliveryError, match=words):
            list(make_places(config, store, studio.root))
        assert not place.exists()
        with Store(config.state) as store, pytest.raises(SpecError, match="1 place"):
            require_made(config, store, studio.root / "service.yaml")


def test_a_place_of_two_roles_is_one(studio: Studio) -> None:
    (inbox,) = studio.config.inboxes
    other = replace(inbox, path=studio.root / "in 2", deliver_to=(studio.root / "shelf/archive",))
    config = replace(studio.config, inboxes=(inbox, other))
    found = {place.path: place.roles for place in places_of(config)}
    assert found[studio.root / "shelf/archive"] == ("destination", "archive")
    assert len(found) == 5


def test_an_identity_is_no_part_of_drops_shelves_and_indexes(studio: Studio) -> None:
    from stemprep.intake import KEPT_EXTENSIONS, clutter_reason

    drop = studio.drop("Lantern")
    shutil.copy(studio.inbox / PLACE_FILE, drop)  # somebody has copied a whole inbox
    assert studio.run() == 0
    out = studio.root / "first/out"
    assert [path.name for path in packages_of(out)] == [PACKAGE]
    assert PLACE_FILE not in (out / "index.html").read_text()
    assert not list((out / PACKAGE).rglob(PLACE_FILE))
    assert clutter_reason(PLACE_FILE, KEPT_EXTENSIONS)
    checked = CliRunner().invoke(
        main, ["verify", str(out), "--log", str(studio.root / "log.csv")], standalone_mode=False
    )
    assert checked.return_value == 0, checked.output


def test_root_does_not_make_what_the_service_cannot_use(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "state").mkdir()
    owner = (tmp_path / "state").stat().st_uid
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    if owner == 0:
        os.chown(tmp_path / "state", 10_001, 10_001)
        owner = 10_001
    refused = asked(tmp_path, "--make")
    assert isinstance(refused.exception, UsageError)
    assert f"sudo -u '#{owner}'" in str(refused.exception)
    assert not (tmp_path / "in").exists()


def test_a_place_without_a_record_is_away(studio: Studio) -> None:
    with Store(studio.config.state) as store:
        found = Places(studio.config, store)
        with pytest.raises(AwayError, match="never made known"):
            found.open_folder(studio.root)
        assert place_record(store, studio.root) is None
        assert places.FULL_BYTES == 4_194_304
        record_place(store, studio.root, PlaceRecord(identity="a", disk="b"))
        with pytest.raises(AwayError, match="without the identity file"):
            found.open_folder(studio.root)
