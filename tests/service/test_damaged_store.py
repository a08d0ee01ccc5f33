"""A job store whose bytes were changed: every command says so and ends, none breaks over it."""

from __future__ import annotations

import random
import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from stemprep.cli.main import _exit_code
from stemprep.errors import DeliveryError
from stemprep.service.jobs import Job, State
from stemprep.service.notices import Notices
from stemprep.service.service import Service
from stemprep.service.state_folder import state_folder
from stemprep.service.store import Store
from stemprep.service.store_file import STORE_FILE, DamagedStoreError
from stemprep.service.store_rows import add_step
from tests.service.studio import Studio, hurry

PAGE_BYTES = 4096
CONFIG = "state: state\ninboxes:\n  - {path: in, spec: mastering, deliver_to: out, settle_s: 0}\n"
REMEDY = "move it aside"
SETTLED: tuple[State, ...] = ("delivered", "refused", "set-aside", "given-up", "arriving")


def filled(store: Store, inbox: Path, jobs: int) -> None:
    """Jobs in every state that starts no work, with history, notices and papers."""
    with store.transaction():
        for number in range(jobs):
            name = f"Ferry {number} Überfahrt"
            added = store.add(
                Job(
                    job=0, inbox=inbox, name=name, raw_name=name.encode(), spec="mastering",
                    state=SETTLED[number % len(SETTLED)], reason="a person looks",
                    fingerprint="f" * 64, content="c" * 64, files=12, size_bytes=10**9,
                    received_s=1e9, changed_s=1e9 + number, package=f"Ferry-{number}_mastering_01",
                    destination="/out", tag_sha256="0123456789abcdef" * 4, stem=f"Ferry-{number}",
                    number=1, verdict="pass", audio_s=180.0,
                ),
                notice="delivered",
            )  # fmt: skip
            with store.change() as connection:
                add_step(connection, added.job, 1e9)
            store.claim_paper(inbox / f"{name}.receipt.txt", is_there=False)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two copies of a state folder: ``closed``, and ``open`` with most of it in the -wal."""
    root = tmp_path_factory.mktemp("whole")
    (root / "state").mkdir()
    with Store(root / "state") as store:
        assert store.service_id
        filled(store, root / "in", 40)
    shutil.copytree(root / "state", root / "closed")
    with Store(root / "state") as store:
        filled(store, root / "in", 40)
        shutil.copytree(root / "state", root / "open", ignore=shutil.ignore_patterns("*-shm"))
    return root


def flipped(content: bytearray, chance: random.Random) -> None:
    for _ in range(30):
        content[chance.randrange(len(content))] ^= chance.randrange(1, 256)


def flipped_text(content: bytearray, chance: random.Random) -> None:
    """Thirty bytes where something is written: pages are mostly empty."""
    places = [place for place, byte in enumerate(content) if byte]
    for place in chance.sample(places, 30):
        content[place] ^= chance.randrange(1, 256)


def flipped_schema(content: bytearray, chance: random.Random) -> None:
    for _ in range(30):
        content[chance.randrange(min(PAGE_BYTES, len(content)))] ^= chance.randrange(1, 256)


def cut(content: bytearray, chance: random.Random) -> None:
    del content[chance.randrange(len(content)) :]


def emptied(content: bytearray, _: random.Random) -> None:
    content.clear()


def zeroed(content: bytearray, chance: random.Random) -> None:
    """Whole pages of zeros, as disks give back."""
    for _ in range(3):
        start = PAGE_BYTES * chance.randrange(max(1, len(content) // PAGE_BYTES))
        length = min(PAGE_BYTES, len(content) - start)
        content[start : start + length] = bytes(length)


DAMAGES: tuple[Callable[[bytearray, random.Random], None], ...] = (
    flipped, flipped_text, flipped_schema, cut, emptied, zeroed,
)  # fmt: skip


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("in", "out"):
        (tmp_path / name).mkdir()
    (tmp_path / "service.yaml").write_text(CONFIG)
    hurry(monkeypatch)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("which", ["closed", "open", "open-wal"])
@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("seed", range(2))
def test_every_command_ends_in_words(
    whole: Path, room: Path, which: str, damage: Callable[[bytearray, random.Random], None],
    seed: int, capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    state, ending = room / "state", "-wal" if which == "open-wal" else ""
    chance = random.Random(f"{which} {damage.__name__} {seed}")
    source = whole / which.removesuffix("-wal")
    content = bytearray((source / f"{STORE_FILE}{ending}").read_bytes())
    damage(content, chance)
    for arguments in (
        ["jobs"], ["jobs", "--json", "-"], ["jobs", "show", "7"],
        ["jobs", "retry", "2"], ["health"], ["health", "--json", "-"],
        ["places"], ["places", "--make"], ["watch", "--once"],
    ):  # fmt: skip
        shutil.rmtree(state, ignore_errors=True)
        shutil.copytree(source, state)
        (state / f"{STORE_FILE}{ending}").write_bytes(content)
        is_made = True
        if arguments[0] == "watch":  # which does not begin with places that nobody has made
            is_made = _exit_code(["places", "--config", "service.yaml", "--make"]) == 0
            capsys.readouterr()
        code = _exit_code([*arguments[:1], "--config", "service.yaml", *arguments[1:]])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        assert code in (0, 2, 5) or (code, is_made) == (3, False), (arguments, code, err)
        if which == "closed" and damage in (cut, emptied, zeroed):
            assert code == 5, arguments
        is_listed = arguments == ["places"] and "not made known" in out
        if code == 5 and not is_listed and not (arguments[0] == "health" and STORE_FILE not in out):
            assert STORE_FILE in out + err, (arguments, out, err)
            assert REMEDY in out + err, (arguments, out, err)
        if code == 2:
            assert "job 2" in err or "no job 7" in err, err


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("state", "'waitinh'"),
        ("raw_name", "x'612f62'"),  # a/b
        ("raw_name", "x'610062'"),  # a, NUL, b
        ("raw_name", "x'2e2e'"),  # ..
        ("name", "CAST(x'46ff' AS TEXT)"),  # no UTF-8
        ("package", "'../elsewhere'"),
        ("tag_sha256", "'0123'"),
        ("verdict", "'pasz'"),
        ("attempts", "-3"),
        ("size_bytes", str(1 << 60)),
        ("changed_s", "9e999"),
        ("received_s", "-9e999"),
    ],
)
def test_a_value_that_was_never_written_is_damage(tmp_path: Path, column: str, value: str) -> None:
    with Store(tmp_path) as store:
        filled(store, tmp_path / "in", 1)
        with store.transaction() as connection:
            connection.execute(f"UPDATE jobs SET {column} = {value}")  # noqa: S608 - ours
        with pytest.raises(DamagedStoreError, match=REMEDY):
            store.jobs()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE steps SET state = 'waitinh'",
        "UPDATE steps SET at_s = 9e999",
        "UPDATE steps SET reason = CAST(x'ff' AS TEXT)",
    ],
)
def test_a_damaged_history_is_told(tmp_path: Path, statement: str) -> None:
    with Store(tmp_path) as store:
        filled(store, tmp_path / "in", 1)
        with store.transaction() as connection:
            connection.execute(statement)
        with pytest.raises(DamagedStoreError, match=REMEDY):
            store.steps(1)


def test_a_damaged_notice_or_id_is_told(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        assert store.service_id
        filled(store, tmp_path / "in", 1)
        with store.transaction() as connection:
            connection.execute("UPDATE notices SET kind = 'delivere'")
            connection.execute("UPDATE service SET value = '../../..'")
        with pytest.raises(DamagedStoreError, match=REMEDY):
            store.notices_due()
        with pytest.raises(DamagedStoreError, match=REMEDY):
            assert store.service_id


@pytest.mark.parametrize("setting", ["received_s = x'00'", "state = x'77'", "audio_s = 'long'"])
def test_a_value_of_another_type_is_damage(tmp_path: Path, setting: str) -> None:
    """A record's type codes may be flipped too: SQLite hands out what it finds."""
    with Store(tmp_path) as store:
        filled(store, tmp_path / "in", 3)
    with closing(sqlite3.connect(tmp_path / STORE_FILE)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("UPDATE sqlite_schema SET sql = replace(sql, ') STRICT', ')')")
        connection.commit()
    with closing(sqlite3.connect(tmp_path / STORE_FILE)) as connection:
        connection.execute(f"UPDATE jobs SET {setting}")  # noqa: S608 - ours
        connection.commit()
    with Store(tmp_path, "read") as store, pytest.raises(DamagedStoreError, match=REMEDY):
        store.jobs()


def test_a_store_appears_whole(tmp_path: Path) -> None:
    """An empty file of its name was cut off, and is never filled as if it were new."""
    (tmp_path / STORE_FILE).touch()
    for access in ("make", "write", "read"):
        with pytest.raises(DamagedStoreError, match=REMEDY):
            Store(tmp_path, access)  # type: ignore[arg-type]
    assert (tmp_path / STORE_FILE).stat().st_size == 0


def test_a_log_without_its_store_is_left(tmp_path: Path) -> None:
    log = tmp_path / f"{STORE_FILE}-wal"
    log.write_bytes(b"commits")
    with pytest.raises(DeliveryError, match="without"):
        Store(tmp_path)
    assert log.read_bytes() == b"commits"
    log.write_bytes(b"")
    Store(tmp_path).close()


def test_damage_met_while_the_service_runs_ends_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Trying again round after round would only write on into a damaged store."""
    hurry(monkeypatch)
    studio = Studio.built(tmp_path)
    config = replace(studio.config, rescan_s=0.1)
    with state_folder(config.state), Store(config.state) as store:
        filled(store, studio.inbox, 2_000)  # more than the cache holds
        store.rows("PRAGMA wal_checkpoint(TRUNCATE)")
        service = Service(config=config, store=store, notices=Notices(()))
        raised: list[BaseException] = []

        def run() -> None:
            try:
                service.run()
            except BaseException as error:
                raised.append(error)

        running = threading.Thread(target=run)
        running.start()
        size_bytes = (config.state / STORE_FILE).stat().st_size
        with (config.state / STORE_FILE).open("r+b") as stream:
            stream.seek(PAGE_BYTES)
            stream.write(b"\xa5" * (size_bytes - PAGE_BYTES))
        studio.drop("Lantern")
        running.join(60)
        service.stop()
        running.join(60)
    assert [type(error) for error in raised] == [DamagedStoreError]
    assert REMEDY in str(raised[0])


def test_a_full_disk_is_no_damage(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        filled(store, tmp_path / "in", 1)
        store.rows("PRAGMA max_page_count = 1")
        with pytest.raises(DeliveryError, match="free space") as raised:
            filled(store, tmp_path / "in", 200)
    assert not isinstance(raised.value, DamagedStoreError)
