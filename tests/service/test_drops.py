"""What becomes of drops: delivered, refused, changed, corrected, archived, given up."""

from __future__ import annotations

import errno
import json
import os
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from stemprep.errors import UsageError
from stemprep.model.service import PLACE_FILE, DropLimits
from stemprep.package import delivery_number, verify_package
from stemprep.report import report_schema
from stemprep.service import result_files
from stemprep.service.manage_jobs import give_up, retry
from stemprep.service.state_folder import state_folder
from stemprep.service.store import Store
from stemprep.spec import load_service
from stemprep.work.write import HashedFile
from tests import signals
from tests.service.dying import archive_on_another_disk
from tests.service.studio import Studio, digests, hurry

EXAMPLE = Path(__file__).parents[2] / "configs" / "service.yaml"


@pytest.fixture(autouse=True)
def _hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    hurry(monkeypatch)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return Studio.built(tmp_path)


def cut_file(drop: Path, name: str = "Kick.wav") -> None:
    """Make a drop fail: a file that ends before its header says so."""
    content = (drop / name).read_bytes()
    (drop / name).write_bytes(content[: len(content) // 2])


def test_a_drop_is_delivered_with_a_receipt(studio: Studio) -> None:
    drop = studio.drop("Lantern")
    expected = digests(drop)
    assert studio.run() == 0
    assert studio.packages() == ["Lantern_mastering_01"]
    studio.require_only_whole_packages()
    assert digests(drop) == expected
    receipt = (studio.inbox / "Lantern.receipt.html").read_text()
    assert str(studio.out / "Lantern_mastering_01") in receipt
    assert "Kick" in (studio.inbox / "Lantern.receipt.txt").read_text()


def test_a_second_run_does_nothing(studio: Studio) -> None:
    studio.drop("Lantern")
    broken = studio.drop("Ferry")
    cut_file(broken)
    assert studio.run() == 0
    before = digests(studio.root / "in"), digests(studio.out), studio.jobs()
    assert studio.run() == 0
    assert (digests(studio.root / "in"), digests(studio.out), studio.jobs()) == before


def test_a_bad_drop_gets_its_report_and_no_package(studio: Studio) -> None:
    drop = studio.drop("Ferry")
    cut_file(drop)
    expected = digests(drop)
    assert studio.run() == 0
    assert studio.states() == {"Ferry": "refused"}
    assert studio.packages() == []
    assert digests(drop) == expected
    report = json.loads((studio.inbox / "Ferry.report.json").read_text())
    jsonschema.Draft202012Validator(report_schema()).validate(report)
    assert report["verdict"] == "fail"
    assert {finding["check"] for finding in report["findings"]} >= {"truncated"}
    assert "truncated" in (studio.inbox / "Ferry.report.html").read_text()


def test_a_corrected_drop_is_checked_again_by_itself(studio: Studio) -> None:
    drop = studio.drop("Ferry")
    whole = (drop / "Kick.wav").read_bytes()
    cut_file(drop)
    studio.run()
    (drop / "Kick.wav").write_bytes(whole)
    assert studio.run() == 0
    assert [job.state for job in studio.jobs()] == ["refused", "delivered"]
    assert studio.packages() == ["Ferry_mastering_01"]
    assert not list(studio.inbox.glob("*.report.*"))
    assert (studio.inbox / "Ferry.receipt.html").is_file()


def test_a_drop_changed_after_delivery_is_the_next_delivery(studio: Studio) -> None:
    drop = studio.drop("Lantern")
    studio.run()
    first = digests(studio.out / "Lantern_mastering_01")
    signals.write_wav(drop / "Kick.wav", signals.pluck(peak_dbfs=-9, seconds=0.1, seed=99))
    assert studio.run() == 0
    assert studio.packages() == ["Lantern_mastering_01", "Lantern_mastering_02"]
    studio.require_only_whole_packages()
    assert digests(studio.out / "Lantern_mastering_01") == first
    second = studio.out / "Lantern_mastering_02"
    assert delivery_number(second) == 2
    manifest = json.loads((second / "data/manifest.json").read_text())
    assert manifest["package"]["predecessor"] == {
        "name": "Lantern_mastering_01",
        "number": 1,
        "tag_manifest_sha256": studio.jobs()[0].tag_sha256,
    }


def test_a_drop_that_is_only_touched_is_not_delivered_again(studio: Studio) -> None:
    drop = studio.drop("Lantern")
    studio.run()
    os.utime(drop / "Kick.wav", (0, 0))  # and an odd time does no harm
    assert studio.run() == 0
    assert studio.packages() == ["Lantern_mastering_01"]
    assert [job.state for job in studio.jobs()] == ["delivered", "delivered"]
    assert "holds the same as job 1" in studio.jobs()[1].reason


def test_the_same_title_in_another_drop_is_the_next_delivery(studio: Studio) -> None:
    for name, seed in (("monday", 1), ("tuesday", 2)):
        drop = studio.drop(name, seed=seed)
        (drop / "session.yaml").write_text("title: Slow Ferry Home\n")
        studio.run()
    assert studio.packages() == ["Slow-Ferry-Home_mastering_01", "Slow-Ferry-Home_mastering_02"]


def test_drops_of_one_name_and_no_title_have_nothing_to_do_with_each_other(tmp_path: Path) -> None:
    """The second would look like a new version of the first: a person has to say which is what."""
    studio = Studio.built(tmp_path)
    (only,) = studio.config.inboxes
    (tmp_path / "in2").mkdir()
    studio.config = replace(studio.config, inboxes=(only, replace(only, path=tmp_path / "in2")))
    studio.make_places()
    shutil.move(studio.drop("mixes", seed=1), tmp_path / "in2")
    studio.run()
    studio.drop("mixes", seed=2)
    assert studio.run() == 5
    assert studio.packages() == ["mixes_mastering_01"]
    assert [job.state for job in studio.jobs()] == ["delivered", "set-aside"]
    assert "something else has this name" in studio.jobs()[1].reason


def test_zips_and_bare_files(studio: Studio) -> None:
    drop = studio.drop("Lantern")
    with zipfile.ZipFile(studio.inbox / "Zipped.zip", "w") as archive:
        for path in drop.iterdir():
            archive.write(path, f"Zipped/{path.name}")
    shutil.copy(drop / "Kick.wav", studio.inbox / "Mix.wav")
    shutil.rmtree(drop)
    assert studio.run() == 0
    assert studio.packages() == ["Mix_mastering_01", "Zipped_mastering_01"]
    assert (studio.inbox / "Mix.wav.receipt.txt").is_file()
    assert (studio.inbox / "Zipped.zip.receipt.txt").is_file()


@pytest.mark.parametrize(
    ("sheet", "words"),
    [("titel: x\n", "no such key here"), ("{", "session.yaml:"), (None, "no audio")],
)
def test_what_cannot_be_judged_is_refused_with_a_report(
    studio: Studio, sheet: str | None, words: str
) -> None:
    drop = studio.drop("Ferry")
    if sheet is None:
        for path in drop.iterdir():
            path.rename(path.with_suffix(".txt"))
    else:
        (drop / "session.yaml").write_text(sheet)
    assert studio.run() == 0
    assert studio.states() == {"Ferry": "refused"}
    report = json.loads((studio.inbox / "Ferry.report.json").read_text())
    jsonschema.Draft202012Validator(report_schema()).validate(report)
    assert words in report["findings"][0]["message"] + report["findings"][0]["advice"]


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (DropLimits(max_size_gb=1e-6), "1.0 kB are allowed"),
        (DropLimits(max_channels=1), "Wide.wav has 2 channels, 1 are allowed"),
        (DropLimits(max_duration_h=0.05 / 3600), "Bass.wav is 0:00.100 long, 0:00.050 is allowed"),
    ],
)
def test_limits_are_told_before_anything_is_decoded(
    studio: Studio, limits: DropLimits, words: str
) -> None:
    drop = studio.drop("Ferry")
    wide = signals.sine(220, peak_dbfs=-9, seconds=0.01, channels=2)
    signals.write_wav(drop / "Wide.wav", wide)
    assert studio.run(limits=limits) == 0
    assert studio.states() == {"Ferry": "refused"}
    report = json.loads((studio.inbox / "Ferry.report.json").read_text())
    assert words in report["findings"][0]["message"]
    assert report["files"] == []


def test_several_specs_and_destinations(tmp_path: Path) -> None:
    studio = Studio.built(
        tmp_path,
        specs=("mastering", "archive"),
        deliver_to=(tmp_path / "out", tmp_path / "copy"),
    )
    studio.drop("Lantern")
    assert studio.run() == 0
    assert studio.packages() == ["Lantern_archive_01", "Lantern_mastering_01"]
    studio.require_only_whole_packages()
    for name in studio.packages():
        assert digests(tmp_path / "copy" / name) == digests(studio.out / name)
    for spec in ("mastering", "archive"):
        assert (studio.inbox / f"Lantern.{spec}.receipt.html").is_file()
    page = (tmp_path / "copy/index.html").read_text()
    assert page.count("Lantern_archive_01/data/report/qc-report.html") == 1


@pytest.mark.parametrize("is_far", [False, True], ids=["same disk", "another disk"])
def test_a_delivered_drop_is_moved_to_the_archive(tmp_path: Path, is_far: bool) -> None:
    archive = tmp_path / "archive"
    studio = Studio.built(tmp_path, after="archive", archive=archive)
    drop = studio.drop("Lantern")
    (drop / "notes").mkdir()
    (drop / "notes/take list.txt").write_text("take 3")
    (drop / "empty").mkdir()
    (drop / "again.wav").symlink_to("Kick.wav")
    expected = digests(drop)
    with archive_on_another_disk() if is_far else nullcontext():
        assert studio.run() == 0
    assert not drop.exists()
    assert digests(archive / "Lantern") == expected
    assert (archive / "Lantern/empty").is_dir()
    assert (archive / "Lantern/again.wav").is_symlink()
    assert sorted(path.name for path in studio.inbox.iterdir()) == [
        PLACE_FILE,
        "Lantern.receipt.html", "Lantern.receipt.txt",
    ]  # fmt: skip
    assert sorted(path.name for path in archive.iterdir()) == [PLACE_FILE, "Lantern"]


def test_drops_of_one_name_in_the_archive(tmp_path: Path) -> None:
    studio = Studio.built(tmp_path, after="archive", archive=tmp_path / "archive")
    for seed in (1, 2):
        studio.drop("Lantern", seed=seed)
        assert studio.run() == 0
    assert sorted(path.name for path in (tmp_path / "archive").iterdir()) == [
        PLACE_FILE,
        "Lantern", "Lantern_2",
    ]  # fmt: skip
    assert studio.packages() == ["Lantern_mastering_01", "Lantern_mastering_02"]


def test_a_drop_that_grew_after_its_delivery_is_not_archived(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from stemprep.service import runner

    studio = Studio.built(tmp_path, after="archive", archive=tmp_path / "archive")
    drop = studio.drop("Lantern")
    archive_drop = runner.archive_drop
    grown = []

    def growing(*arguments: object) -> str:
        if not grown:
            grown.append(signals.write_wav(
                drop / "Late.wav", signals.sine(300, peak_dbfs=-9, seconds=0.1)
            ))  # fmt: skip
        return archive_drop(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(runner, "archive_drop", growing)
    assert studio.run() == 0
    assert studio.run() == 0
    assert studio.packages() == ["Lantern_mastering_01", "Lantern_mastering_02"]
    assert (tmp_path / "archive/Lantern/Late.wav").is_file()
    assert "changed since it was delivered" in studio.jobs()[0].reason


@pytest.mark.parametrize(
    ("number", "said"), [(errno.EACCES, "the right to write into the drop"), (errno.EIO, "error")]
)
def test_a_drop_that_cannot_be_moved_keeps_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, said: str
) -> None:
    """EACCES: what rename(2) says of a folder that is another's and not writable, POSIX.1-2017."""
    from stemprep import package
    from stemprep.service import archive

    studio = Studio.built(tmp_path, after="archive", archive=tmp_path / "archive")
    drop = studio.drop("Lantern")
    before = digests(drop)
    rename = package.rename_exclusively

    def refusing(source: str, target: str, *, source_folder: int, target_folder: int) -> None:
        if source_folder != target_folder:
            raise OSError(number, os.strerror(number))
        rename(source, target, source_folder=source_folder, target_folder=target_folder)

    monkeypatch.setattr(archive, "rename_exclusively", refusing)
    for _ in range(2):
        assert studio.run() == 0
        assert digests(drop) == before
        assert not list(studio.inbox.glob(".leaving-*"))
        assert studio.packages() == ["Lantern_mastering_01"]
    job = studio.jobs()[0]
    assert (job.state, job.archived_as) == ("delivered", b"")
    assert said in job.reason


def test_a_drop_that_cannot_be_emptied_is_not_copied_to_another_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from stemprep.service import archive

    studio = Studio.built(tmp_path, after="archive", archive=tmp_path / "archive")
    drop = studio.drop("Lantern")
    before = digests(drop)
    monkeypatch.setattr(archive._Move, "_may_empty", lambda *_: False)
    with archive_on_another_disk():
        assert studio.run() == 0
    assert digests(drop) == before
    assert [path.name for path in (tmp_path / "archive").iterdir()] == [PLACE_FILE]
    assert not list(studio.inbox.glob(".leaving-*"))
    assert "the right to write into the drop" in studio.jobs()[0].reason


def test_other_peoples_files_are_never_written_over(studio: Studio) -> None:
    drop = studio.drop("Ferry")
    cut_file(drop)
    theirs = {
        studio.inbox / "Ferry.report.json": "a poem",
        studio.out / "index.html": "our home page",
    }
    for path, text in theirs.items():
        path.write_text(text)
    assert studio.run() == 0
    assert {path: path.read_text() for path in theirs} == theirs
    assert (studio.inbox / "Ferry.report.html").is_file()


def test_a_person_has_jobs_done_again_or_gives_them_up(studio: Studio) -> None:
    cut_file(studio.drop("Ferry"))
    studio.drop("Lantern", seed=2)
    studio.run()
    refused = next(job.job for job in studio.jobs() if job.state == "refused")
    delivered = next(job.job for job in studio.jobs() if job.state == "delivered")
    with Store(studio.config.state, "write") as store:
        retry(store, refused, 0.0)
        with pytest.raises(UsageError, match="was delivered"):
            retry(store, delivered, 0.0)
        with pytest.raises(UsageError, match="no job 99"):
            retry(store, 99, 0.0)
    studio.run()
    assert studio.states()["Ferry"] == "refused"
    with Store(studio.config.state, "write") as store:
        give_up(store, refused, 0.0)
        with pytest.raises(UsageError, match="given up already"):
            give_up(store, refused, 0.0)
    studio.run()
    assert studio.states()["Ferry"] == "given-up"


def test_a_second_service_says_so(studio: Studio) -> None:
    with (
        state_folder(studio.config.state),
        pytest.raises(UsageError, match=f"process {os.getpid()}.* already"),
    ):
        studio.run()


def test_a_drop_that_goes_away_is_not_waited_for(studio: Studio) -> None:
    drop = studio.drop("Ferry")
    studio.run(stop_within_s=0.0)
    shutil.rmtree(drop)
    assert studio.run() == 0
    studio.drop("Ferry")
    assert studio.run() == 0
    assert studio.packages() == ["Ferry_mastering_01"]


def test_names_that_are_not_utf_8(studio: Studio) -> None:
    drop = studio.drop("Lantern")
    raw = os.fsencode(studio.inbox) + b"/Fa\xffe"
    drop.rename(os.fsdecode(raw))
    assert studio.run() == 0
    assert studio.states() == {"Fa\\xFFe": "delivered"}
    assert Path(os.fsdecode(raw + b".receipt.txt")).is_file()


def test_a_lost_state_folder_makes_nothing_twice(studio: Studio) -> None:
    """What was delivered is known by its packages, whatever the store has forgotten."""
    studio.drop("Lantern")
    studio.run()
    before = digests(studio.out / "Lantern_mastering_01")
    shutil.rmtree(studio.config.state)
    studio.make_places()
    assert studio.run() == 0
    assert studio.states() == {"Lantern": "delivered"}
    assert studio.packages() == ["Lantern_mastering_01"]
    assert digests(studio.out / "Lantern_mastering_01") == before


def test_our_own_papers_are_known_without_the_state_folder(studio: Studio) -> None:
    drop = studio.drop("Ferry")
    cut_file(drop)
    studio.run()
    shutil.rmtree(studio.config.state)
    studio.make_places()
    cut_file(drop, "Snare.wav")
    studio.run()
    assert "Snare.wav" in (studio.inbox / "Ferry.report.html").read_text()
    report = json.loads((studio.inbox / "Ferry.report.json").read_text())
    assert {"Kick.wav", "Snare.wav"} <= {finding["file"] for finding in report["findings"]}


def test_nothing_is_kept_of_what_is_delivered(studio: Studio) -> None:
    studio.drop("Lantern")
    cut_file(studio.drop("Ferry", seed=2))
    studio.run()
    refused = next(job.job for job in studio.jobs() if job.state == "refused")
    assert [path.name for path in (studio.config.state / "results").iterdir()] == [str(refused)]


def test_an_inbox_that_is_away_is_told_and_loses_nothing(studio: Studio) -> None:
    studio.drop("Lantern")
    studio.inbox.rename(studio.root / "elsewhere")
    assert studio.run() == 5
    (studio.root / "elsewhere").rename(studio.inbox)
    assert studio.run() == 0
    assert studio.packages() == ["Lantern_mastering_01"]


def test_an_inbox_that_cannot_be_written_to_still_has_its_verdict(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    cut_file(studio.drop("Ferry"))

    def closed(*_: object, **__: object) -> None:
        raise OSError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(result_files, "write_paper", closed)
    assert studio.run() == 0
    (job,) = studio.jobs()
    assert (job.state, job.verdict, job.attempts) == ("refused", "fail", 2)
    assert "no report could be put beside the drop: Permission denied" in job.reason
    assert (studio.config.state / "results/1/result.report.html").is_file()


def test_the_example_config_works(tmp_path: Path) -> None:
    """The folders it names are made first, as its comments say."""
    shutil.copy(EXAMPLE, tmp_path)
    for name in ("inbox/mastering", "inbox/archive", "delivered", "archived"):
        (tmp_path / name).mkdir(parents=True)
    config = load_service(tmp_path / "service.yaml")
    hasty = tuple(replace(inbox, settle_s=0.0) for inbox in config.inboxes)
    studio = Studio.built(tmp_path)
    studio.config = replace(config, inboxes=hasty)
    studio.make_places()
    for inbox, seed in (("mastering", 1), ("archive", 2)):
        shutil.move(studio.drop("Lantern", seed=seed), tmp_path / "inbox" / inbox)
    assert studio.run() == 0
    for inbox in ("mastering", "archive"):
        package = tmp_path / "delivered" / inbox / f"Lantern_{inbox}_01"
        assert verify_package(package).is_whole
    assert (tmp_path / "inbox/mastering/Lantern").is_dir()
    assert (tmp_path / "archived/Lantern").is_dir()
    assert not (tmp_path / "inbox/archive/Lantern").exists()


def test_a_destination_that_is_exchanged_while_a_job_waits(studio: Studio) -> None:
    cut_file(studio.drop("Ferry"))
    studio.drop("Lantern", seed=2)
    with a_full_disk():
        assert studio.run() == 5
    (only,) = studio.config.inboxes
    moved = replace(only, deliver_to=(studio.root / "elsewhere",))
    assert [job.attempts for job in studio.jobs() if job.name == "Lantern"] == [0]
    studio.make_places(inboxes=(moved,))
    assert studio.run(inboxes=(moved,)) == 0
    assert verify_package(studio.root / "elsewhere/Lantern_mastering_01").is_whole
    assert studio.packages() == []
    assert (
        str(studio.root / "elsewhere/Lantern_mastering_01")
        in (studio.inbox / "Lantern.receipt.html").read_text()
    )


@contextmanager
def a_full_disk() -> Iterator[None]:
    """Have no package file written."""

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(HashedFile, "write", full)
        yield
