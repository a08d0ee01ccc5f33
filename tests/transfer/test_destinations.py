"""Deliveries into stores and zips: each copy is read back, an upload that was killed goes on."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import bagit
import jsonschema
import pytest

from stemprep.app.delivery.deliver import deliver
from stemprep.app.packages.verify import verify
from stemprep.errors import DeliveryError
from stemprep.model.package import Verification
from stemprep.report import receipt_schema
from stemprep.transfer import Address, opened_remote, parse_place
from tests.cli.running import ROOT, apart
from tests.end_to_end import drops
from tests.transfer.servers import BUCKET, PASSWORD, S3Service, SftpHost, sftp_host

EPOCH = {"SOURCE_DATE_EPOCH": "1919635200"}


@pytest.fixture(scope="module")
def drop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return drops.tracking_drop(tmp_path_factory.mktemp("drop") / "Slow Ferry Home")


@pytest.fixture
def reached(s3: S3Service, sftp: SftpHost, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in {**s3.environment, **sftp.environment, **EPOCH}.items():
        monkeypatch.setenv(name, value)


def verified(text: str) -> Verification:
    (proof,) = verify([parse_place(text)])
    return proof


def is_proved(proof: Verification) -> bool:
    return proof.is_whole and proof.is_complete


def test_one_receipt_names_every_copy(
    drop: Path, s3: S3Service, sftp: SftpHost, tmp_path: Path, reached: None
) -> None:
    places = [
        str(tmp_path / "first"),
        str(tmp_path / "second"),
        f"s3://{BUCKET}/{tmp_path.name}",
        sftp.address(tmp_path.name),
    ]
    to = [word for place in places for word in ("--to", place)]
    receipt_file = tmp_path / "receipt.json"
    run = apart("deliver", drop, "--spec", "mastering", *to, "--receipt", receipt_file)
    assert run.code == 0, run.err
    receipt = json.loads(receipt_file.read_text())
    jsonschema.validate(receipt, receipt_schema())
    name = receipt["package"]
    assert [copy["place"] for copy in receipt["copies"]] == [f"{place}/{name}" for place in places]
    assert "Receipt: 4 copies, each read back" in run.out
    seals = {copy["tag_manifest_sha256"] for copy in receipt["copies"]}
    assert len(seals) == 1
    proofs = [verified(copy["place"]) for copy in receipt["copies"]]
    assert all(is_proved(proof) for proof in proofs)
    assert {proof.tag_manifest_sha256 for proof in proofs} == seals
    assert PASSWORD not in run.out + run.err + receipt_file.read_text()
    there = tmp_path.name + "/" + name
    assert drops.tree(sftp.root / there) == drops.tree(tmp_path / "first" / name)
    assert {key.removeprefix(f"{there}/") for key in s3.objects(f"{there}/")} == set(
        drops.tree(tmp_path / "first" / name)
    )
    again = apart("deliver", drop, "--spec", "mastering", *to)
    assert again.code == 0, again.err
    assert again.out.count("already delivered") >= 4


def test_a_store_alone_leaves_nothing_here(
    drop: Path, tmp_path: Path, reached: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "tmp").mkdir()
    address = f"s3://{BUCKET}/{tmp_path.name}"
    env = {"TMPDIR": str(tmp_path / "tmp")}
    run = apart("deliver", drop, "--spec", "mastering", "--to", address, env=env)
    assert run.code == 0, run.err
    assert is_proved(verified(f"{address}/Slow-Ferry-Home_mastering_01"))
    assert list((tmp_path / "tmp").iterdir()) == []


@pytest.mark.parametrize("kind", ["s3", "sftp"])
def test_a_killed_upload_is_not_complete_and_goes_on(
    kind: str, drop: Path, s3: S3Service, tmp_path: Path, reached: None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """The process is killed outright (SIGKILL) as soon as some files have arrived."""
    (tmp_path / "host").mkdir()
    with sftp_host(tmp_path / "host" / "root", tmp_path / "host", delay_s=0.05) as host:
        for name, value in host.environment.items():
            monkeypatch.setenv(name, value)
        name = "Slow-Ferry-Home_mastering_01"
        if kind == "s3":
            address, hidden = f"s3://{BUCKET}/{tmp_path.name}", name
        else:
            address, hidden = host.address("out"), f".incoming-{name}"

        def arrived() -> dict[str, int]:
            if kind == "s3":
                return s3.objects(f"{tmp_path.name}/")
            folder = host.root / "out"
            return {
                str(path.relative_to(folder)): path.stat().st_size
                for path in folder.rglob("*")
                if path.is_file()
            }

        _kill_when(lambda: len(arrived()) >= 4, drop, address)
        left = arrived()
        assert len(left) >= 4
        assert not any(path.endswith("tagmanifest-sha256.txt") for path in left)
        proof = verified(f"{address}/{hidden}")
        assert not proof.is_complete
        run = apart("verify", f"{address}/{hidden}")
        assert (run.code, run.out.splitlines()[0]) == (5, "Verdict   incomplete")
        if hidden != name:
            with pytest.raises(DeliveryError, match="nothing lies there"):
                verified(f"{address}/{name}")
        before = _times(kind, s3, host, tmp_path.name, hidden)
        run = apart("deliver", drop, "--spec", "mastering", "--to", address)
        assert run.code == 0, run.err
        assert is_proved(verified(f"{address}/{name}"))
        after = _times(kind, s3, host, tmp_path.name, name)
        kept = [path for path, when in before.items() if after.get(path) == when]
        assert len(kept) >= 3, "what had arrived whole was not sent again"


def _kill_when(is_time: Callable[[], bool], drop: Path, address: str) -> None:
    command = [sys.executable, "-m", "stemprep", "deliver", drop, "--spec", "mastering"]
    process = subprocess.Popen(
        [*map(str, command), "--to", address],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        deadline = time.monotonic() + 600
        while not is_time():
            assert time.monotonic() < deadline, "nothing arrived"
            assert process.poll() is None, "it was over before it could be killed"
            time.sleep(0.05)  # each look costs a listing; sending all takes a second or more
    finally:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def _times(kind: str, s3: S3Service, host: SftpHost, folder: str, name: str) -> dict[str, object]:
    """When each file was last written, by its path in the package."""
    if kind == "sftp":
        top = host.root / "out" / name
        return {
            str(path.relative_to(top)): path.stat().st_mtime_ns
            for path in top.rglob("*")
            if path.is_file()
        }
    start = f"{folder}/{name}/"
    client = s3.client
    return {
        key.removeprefix(start): client.head_object(Bucket=BUCKET, Key=key)["LastModified"]
        for key in s3.objects(start)
    }


@pytest.mark.parametrize("kind", ["s3", "sftp"])
def test_a_flipped_byte_at_rest_is_found(
    kind: str, drop: Path, s3: S3Service, sftp: SftpHost, tmp_path: Path, reached: None
) -> None:
    folder = f"rest-{tmp_path.name}"
    address = f"s3://{BUCKET}/{folder}" if kind == "s3" else sftp.address(folder)
    report = deliver(drop, "mastering", [parse_place(address)])
    assert report.package is not None
    name = report.package.rpartition("/")[2]
    victim = "data/tracks/02 Bass.wav"
    if kind == "s3":
        content = bytearray(s3.content(f"{folder}/{name}/{victim}"))
        content[1000] ^= 0x10
        s3.put(f"{folder}/{name}/{victim}", bytes(content))
    else:
        path = sftp.root / folder / name / victim
        content = bytearray(path.read_bytes())
        content[1000] ^= 0x10
        path.write_bytes(content)
    run = apart("verify", report.package)
    assert run.code == 5
    assert run.out.splitlines()[0] == "Verdict   damaged"
    assert victim in run.out


def test_one_zip_that_common_tools_open(drop: Path, tmp_path: Path, reached: None) -> None:
    report = deliver(drop, "archive", [tmp_path / "out"], form="zip")
    assert report.package is not None
    path = Path(report.package)
    assert [item.name for item in path.parent.iterdir()] == [path.name]
    assert is_proved(verified(str(path)))
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
        assert names == sorted(names, key=str.encode)
        assert {info.compress_type for info in archive.infolist()} == {zipfile.ZIP_STORED}
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        archive.extractall(tmp_path / "unpacked")  # of our own making
    assert bagit.Bag(str(tmp_path / "unpacked" / path.stem)).is_valid()
    if shutil.which("unzip"):
        done = subprocess.run(["unzip", "-tq", path], capture_output=True, check=False)
        assert done.returncode == 0, done.stdout
    again = deliver(drop, "archive", [tmp_path / "out"], form="zip")
    assert again.is_package_known
    other = deliver(drop, "archive", [tmp_path / "other"], form="zip")
    assert other.package is not None
    assert Path(other.package).read_bytes() == path.read_bytes(), "the same bytes each time"


def test_a_zip_in_a_store(drop: Path, tmp_path: Path, reached: None, sftp: SftpHost) -> None:
    addresses = [f"s3://{BUCKET}/{tmp_path.name}", sftp.address(f"zips-{tmp_path.name}")]
    report = deliver(drop, "mastering", [parse_place(text) for text in addresses], form="zip")
    assert report.receipt is not None
    for copy in report.receipt.copies:
        assert copy.place.endswith("_mastering_01.zip")
        assert is_proved(verified(copy.place))
    again = deliver(drop, "mastering", [parse_place(text) for text in addresses], form="zip")
    assert again.receipt is not None
    assert all(copy.already_there for copy in again.receipt.copies)


@pytest.mark.parametrize("where", ["content", "end", "middle of the directory"])
def test_a_damaged_zip_is_found(drop: Path, tmp_path: Path, where: str, reached: None) -> None:
    report = deliver(drop, "mastering", [tmp_path / "out"], form="zip")
    assert report.package is not None
    path = Path(report.package)
    content = bytearray(path.read_bytes())
    if where == "content":
        content[len(content) // 3] ^= 1
    elif where == "end":
        del content[-400:]
    else:
        at = content.rindex(b"PK\x01\x02")
        content[at + 10] ^= 0xFF
    path.write_bytes(content)
    run = apart("verify", path)
    assert run.code == 5, run.out
    assert "Traceback" not in run.err


def test_a_failed_copy_is_told_with_those_that_are_whole(
    drop: Path, sftp: SftpHost, tmp_path: Path, reached: None
) -> None:
    taken = sftp.root / f"taken-{tmp_path.name}" / "Slow-Ferry-Home_archive_01"
    taken.mkdir(parents=True)
    (taken / "mine.txt").write_text("do not touch")
    places = [tmp_path / "out", parse_place(sftp.address(taken.parent.name))]
    with pytest.raises(DeliveryError, match="something else has this name") as told:
        deliver(drop, "archive", places)
    whole = tmp_path / "out" / "Slow-Ferry-Home_archive_01"
    assert f"Whole copies lie at {whole}" in str(told.value)
    assert is_proved(verified(str(whole)))
    assert drops.tree(taken) == {"mine.txt": b"do not touch"}


@pytest.mark.parametrize("place", ["s3://nobodys-bucket/out", "sftp://localhost:1/out"])
def test_a_place_that_cannot_be_reached_is_told_before_the_work(
    place: str, drop: Path, tmp_path: Path, reached: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    import stemprep.app.delivery.deliver as delivering

    def no_work(*_: object, **__: object) -> None:
        raise AssertionError("it was begun")

    monkeypatch.setattr(delivering, "prepared_drop", no_work)
    with pytest.raises(DeliveryError, match="failed"):
        deliver(drop, "archive", [tmp_path / "out", parse_place(place)])


def test_packages_are_compared_wherever_they_lie(
    drop: Path, tmp_path: Path, reached: None, sftp: SftpHost
) -> None:
    here = deliver(drop, "archive", [tmp_path / "out"])
    zipped = deliver(drop, "archive", [parse_place(sftp.address(f"z-{tmp_path.name}"))], form="zip")
    there = deliver(drop, "archive", [parse_place(f"s3://{BUCKET}/c-{tmp_path.name}")])
    for report in (zipped, there):
        run = apart("compare", str(here.package), str(report.package))
        assert run.code == 0, run.err
        assert run.out.startswith("Changes   none;")
    missing = apart("compare", str(here.package), sftp.address("nothing here"))
    assert missing.code == 5
    assert "no complete package" in missing.err


@pytest.mark.parametrize("kind", ["s3", "sftp"])
def test_another_day_makes_no_other_package(
    kind: str, drop: Path, sftp: SftpHost, tmp_path: Path, reached: None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Only the bagging date may differ: what was finished stays, what was begun is finished."""
    text = f"s3://{BUCKET}/d-{tmp_path.name}" if kind == "s3" else sftp.address(tmp_path.name)
    address = parse_place(text)
    assert isinstance(address, Address)
    first = deliver(drop, "archive", [address])
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(int(EPOCH["SOURCE_DATE_EPOCH"]) + 86_400))
    again = deliver(drop, "archive", [address])
    assert again.is_package_known
    assert again.receipt is not None
    assert first.receipt is not None
    seals = [report.receipt.copies[0].tag_manifest_sha256 for report in (first, again)]  # type: ignore[union-attr]
    assert seals[0] == seals[1], "the receipt tells the seal that lies there"
    if kind == "s3":
        _take_the_end_away(address.below("Slow-Ferry-Home_archive_01"))
        finished = deliver(drop, "archive", [address])
        assert not finished.is_package_known
        assert is_proved(verified(f"{text}/Slow-Ferry-Home_archive_01"))


def _take_the_end_away(package: Address) -> None:
    """As an upload leaves it that was cut off just before its end."""
    with opened_remote(package) as remote:
        for name in ("tagmanifest-sha256.txt", "tagmanifest-sha512.txt"):
            remote.remove(f"{package.path}/{name}")
