"""Proving packages: each damage named, hostile bags refused, nothing written, nothing fetched."""

from __future__ import annotations

import errno
import hashlib
import os
import tracemalloc
import warnings
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stemprep.errors import DeliveryError
from stemprep.model.package import Verification
from stemprep.package import HashJob, hash_file, verify_package
from tests.package import records
from tests.package.test_bag import tree

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # bagit imports the deprecated pkg_resources
    import bagit


@pytest.fixture
def package(tmp_path: Path) -> Path:
    return records.delivered(tmp_path)


def named(result: Verification) -> dict[str, str]:
    return {damage.path: damage.kind for damage in result.damages}


def test_whole(package: Path) -> None:
    before = tree(package)
    result = verify_package(package)
    assert result.is_whole
    assert result.is_complete
    assert result.damages == ()
    assert result.files == 7
    assert result.size_bytes == sum(len(data) for _, data in before.values())
    last = (package / "tagmanifest-sha256.txt").read_bytes()
    assert result.tag_manifest_sha256 == hashlib.sha256(last).hexdigest()
    assert tree(package) == before


@pytest.fixture(scope="module")
def kept_package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return records.delivered(tmp_path_factory.mktemp("kept"))


@given(data=st.data())
@settings(
    max_examples=100,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_one_byte_changed_anywhere_is_named(kept_package: Path, data: st.DataObject) -> None:
    files = sorted(path for path in kept_package.rglob("*") if path.is_file())
    file = data.draw(st.sampled_from(files))
    content = file.read_bytes()
    place = data.draw(st.integers(0, len(content) - 1))
    value = data.draw(st.integers(0, 255).filter(lambda byte: byte != content[place]))
    file.write_bytes(content[:place] + bytes([value]) + content[place + 1 :])
    try:
        result = verify_package(kept_package)
    finally:
        file.write_bytes(content)
    assert not result.is_whole
    assert list(named(result)) == [str(file.relative_to(kept_package))]


@pytest.mark.parametrize("bit", range(8))
def test_every_byte_of_the_tag_manifests_counts(kept_package: Path, bit: int) -> None:
    """No hash covers them; every byte at one flipped bit each (case of a digit, a space, ...)."""
    file = kept_package / "tagmanifest-sha256.txt"
    content = file.read_bytes()
    try:
        for place in range(0, len(content), 7):
            file.write_bytes(
                content[:place] + bytes([content[place] ^ 1 << bit]) + content[place + 1 :]
            )
            assert list(named(verify_package(kept_package))) == [file.name]
    finally:
        file.write_bytes(content)


@pytest.mark.parametrize("change", [lambda data: data[:-1], lambda data: data + b"\0"])
def test_every_file_cut_or_grown_is_named(
    kept_package: Path, change: Callable[[bytes], bytes]
) -> None:
    for file in sorted(path for path in kept_package.rglob("*") if path.is_file()):
        content = file.read_bytes()
        file.write_bytes(change(content))
        try:
            assert list(named(verify_package(kept_package))) == [
                str(file.relative_to(kept_package))
            ]
        finally:
            file.write_bytes(content)


def test_every_file_missing_is_named(kept_package: Path) -> None:
    for file in sorted(path for path in kept_package.rglob("*") if path.is_file()):
        content = file.read_bytes()
        file.unlink()
        try:
            result = verify_package(kept_package)
        finally:
            file.write_bytes(content)
        assert named(result) == {str(file.relative_to(kept_package)): "missing"}
        assert result.is_complete == (file.name not in ("bagit.txt", "tagmanifest-sha256.txt"))


@pytest.mark.parametrize(
    "path", ["data/extra.wav", "data/new/folder/take.wav", "extra.txt", ".hidden", "a/b"]
)
def test_extra_files_are_named(package: Path, path: str) -> None:
    (package / path).parent.mkdir(parents=True, exist_ok=True)
    (package / path).write_bytes(b"?")
    assert named(verify_package(package)) == {path: "extra"}


def test_a_tag_manifest_too_many(package: Path) -> None:
    (package / "tagmanifest-md5.txt").write_text("")
    assert "tagmanifest-md5.txt" in named(verify_package(package))


def test_several_damages_are_all_named(package: Path) -> None:
    (package / "data/stems/Bass.wav").write_bytes(b"x")
    (package / "data/stems/Voice.wav").unlink()
    (package / "data/extra.wav").write_bytes(b"x")
    (package / "manifest-sha512.txt").write_bytes(b"x")
    assert named(verify_package(package)) == {
        "data/extra.wav": "extra",
        "data/stems/Bass.wav": "changed",
        "data/stems/Voice.wav": "missing",
        "manifest-sha512.txt": "tag",
    }


def test_a_transfer_that_did_not_finish(package: Path) -> None:
    (package / "tagmanifest-sha256.txt").unlink()
    (package / "tagmanifest-sha512.txt").unlink()
    result = verify_package(package)
    assert not result.is_complete
    assert not result.is_whole
    assert result.tag_manifest_sha256 is None
    assert named(result) == {
        "tagmanifest-sha256.txt": "missing",
        "tagmanifest-sha512.txt": "missing",
    }


def test_a_transfer_that_only_began(package: Path) -> None:
    for file in package.glob("*.txt"):
        file.unlink()
    result = verify_package(package)
    assert not result.is_complete
    assert "data" in named(result)


@pytest.mark.parametrize("make", [lambda path: path.mkdir(), lambda path: path.write_bytes(b"")])
def test_no_package(tmp_path: Path, make: Callable[[Path], object]) -> None:
    make(tmp_path / "thing")
    with pytest.raises(DeliveryError):
        verify_package(tmp_path / "thing")


def test_nothing_there(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="nothing was checked"):
        verify_package(tmp_path / "nowhere")


# --- links and special files


def test_a_link_in_place_of_a_file_is_not_followed(package: Path, tmp_path: Path) -> None:
    file = package / "data/stems/Bass.wav"
    file.rename(tmp_path / "Bass.wav")
    file.symlink_to(tmp_path / "Bass.wav")
    result = verify_package(package)
    assert named(result) == {"data/stems/Bass.wav": "changed"}
    assert "link" in result.damages[0].message


def test_a_link_in_place_of_a_folder_is_not_followed(package: Path, tmp_path: Path) -> None:
    (package / "data/stems").rename(tmp_path / "stems")
    (package / "data/stems").symlink_to(tmp_path / "stems")
    assert named(verify_package(package)) == {
        "data/stems": "extra",
        "data/stems/Bass.wav": "missing",
        "data/stems/Voice.wav": "missing",
    }


@pytest.mark.parametrize("is_listed", [True, False])
def test_a_pipe_does_not_hang(package: Path, is_listed: bool) -> None:
    path = "data/stems/Bass.wav" if is_listed else "data/pipe"
    if is_listed:
        (package / path).unlink()
    os.mkfifo(package / path)
    assert named(verify_package(package)) == {path: "changed" if is_listed else "extra"}


def test_a_pipe_as_tag_file_does_not_hang(package: Path) -> None:
    for name in ("bagit.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"):
        (package / name).unlink()
        os.mkfifo(package / name)
    result = verify_package(package)
    assert not result.is_whole
    assert {"bagit.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"} <= named(result).keys()


def test_folders_without_end(package: Path) -> None:
    deep = package / "data" / "/".join("d" * 100)
    deep.mkdir(parents=True)
    result = verify_package(package)
    assert not result.is_whole
    assert [damage.kind for damage in result.damages] == ["extra"]


def test_a_folder_that_cannot_be_listed(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inode = (package / "data/stems").stat().st_ino
    really_scan = os.scandir

    def scan(folder: int) -> object:
        if os.fstat(folder).st_ino == inode:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return really_scan(folder)

    monkeypatch.setattr(os, "scandir", scan)
    assert named(verify_package(package)) == {
        "data/stems": "changed",
        "data/stems/Bass.wav": "missing",
        "data/stems/Voice.wav": "missing",
    }


# --- bags made by others


def foreign(folder: Path, **options: object) -> Path:
    (folder / "deep").mkdir(parents=True)
    (folder / "a.wav").write_bytes(b"RIFF")
    (folder / "deep/b.txt").write_bytes(b"words")
    bagit.make_bag(str(folder), **options)
    return folder


@pytest.mark.parametrize("checksums", [["md5"], ["sha512"], ["md5", "sha256"], ["sha1"]])
def test_bags_of_the_reference_library(tmp_path: Path, checksums: list[str]) -> None:
    """Bags made by the reference implementation, `bagit`."""
    bag = foreign(tmp_path / "bag", checksums=checksums)
    assert verify_package(bag).is_whole
    (bag / "data/a.wav").write_bytes(b"RIFX")
    (bag / "data/new.wav").write_bytes(b"")
    assert named(verify_package(bag)) == {"data/a.wav": "changed", "data/new.wav": "extra"}


def test_a_foreign_bag_needs_no_tag_manifest(tmp_path: Path) -> None:
    """RFC 8493, 2.2.1: tag manifests are optional, other tag files may lie there unlisted."""
    bag = foreign(tmp_path / "bag", checksums=["sha512"])
    (bag / "tagmanifest-sha512.txt").unlink()
    (bag / "about.txt").write_text("unlisted")
    result = verify_package(bag)
    assert result.is_whole
    assert result.tag_manifest_sha256 is None


def put_bag(folder: Path, manifest: str, version: str = "1.0") -> Path:
    (folder / "data").mkdir(parents=True)
    (folder / "data/a.wav").write_bytes(b"RIFF")
    (folder / "bagit.txt").write_text(
        f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n"
    )
    (folder / "manifest-sha256.txt").write_text(manifest)
    return folder


GOOD = hashlib.sha256(b"RIFF").hexdigest()


@pytest.mark.parametrize(
    "line",
    [f"{GOOD}  data/a.wav", f"{GOOD.upper()}\tdata/a.wav", f"{GOOD} \t *data/a.wav"],
)
def test_manifest_lines_as_others_write_them(tmp_path: Path, line: str) -> None:
    """RFC 8493, 2.1.3: either case, spaces or tabs; `*` by md5sum and its relatives."""
    assert verify_package(put_bag(tmp_path / "bag", f"{line}\r\n")).is_whole


@pytest.mark.parametrize(
    "path",
    [
        "../outside.wav", "data/../../outside.wav", "/etc/hostname", "~/outside.wav",
        "data//a.wav", "C:\\outside.wav", "data/./a.wav", "outside.wav", "data/..%0A/../x",
    ],
)  # fmt: skip
def test_paths_that_leave_the_bag_are_refused(
    tmp_path: Path, path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 8493, 5.1.1 (path traversal): such entries are told and never opened."""
    outside = tmp_path / "outside.wav"
    outside.write_bytes(b"RIFF")
    bag = put_bag(tmp_path / "bag", f"{GOOD}  data/a.wav\n{GOOD}  {path}\n")
    opened: list[str] = []
    really_open = os.open

    def watched(name: str, *arguments: object, **named: object) -> int:
        opened.append(str(name))
        return really_open(name, *arguments, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", watched)
    result = verify_package(bag)
    assert not result.is_whole
    assert named(result).get("manifest-sha256.txt") in ("tag", None)
    assert not {"..", "outside.wav", "hostname", str(outside)} & set(opened)


@pytest.mark.parametrize(
    "manifest",
    ["nonsense\n", f"{GOOD[:-1]}  data/a.wav\n", f"{GOOD}\n", f"{GOOD}  data/a.wav\n" * 2],
)
def test_lines_that_are_none(tmp_path: Path, manifest: str) -> None:
    result = verify_package(put_bag(tmp_path / "bag", manifest))
    assert named(result)["manifest-sha256.txt"] == "tag"


def test_fetch_is_never_followed(tmp_path: Path) -> None:
    """RFC 8493, 2.2.3; verifying never fetches."""
    bag = put_bag(tmp_path / "bag", f"{GOOD}  data/a.wav\n{'ab' * 32}  data/far.wav\n")
    (bag / "fetch.txt").write_text("https://example.invalid/far.wav - data/far.wav\n")
    result = verify_package(bag)
    assert named(result) == {"data/far.wav": "missing"}
    assert "nothing is fetched" in result.damages[0].message


def test_lists_that_do_not_name_the_same_files(tmp_path: Path) -> None:
    """RFC 8493, 2.1.3: in version 1.0 every payload manifest lists every payload file."""
    bag = put_bag(tmp_path / "new", f"{GOOD}  data/a.wav\n")
    (bag / "manifest-md5.txt").write_text("")
    assert named(verify_package(bag)) == {"manifest-md5.txt": "tag"}
    old = put_bag(tmp_path / "old", f"{GOOD}  data/a.wav\n", version="0.97")
    (old / "manifest-md5.txt").write_text("")
    assert verify_package(old).is_whole


COMPOSED, DECOMPOSED = "data/Caf\u00e9.wav", "data/Cafe\u0301.wav"


def test_another_unicode_form_on_disk(tmp_path: Path) -> None:
    """RFC 8493, 6.1.3: file systems may change the normal form of names."""
    bag = put_bag(tmp_path / "bag", f"{GOOD}  {COMPOSED}\n")
    (bag / "data/a.wav").rename(bag / DECOMPOSED)
    assert verify_package(bag).is_whole


def test_two_unicode_forms_listed_and_one_there(tmp_path: Path) -> None:
    bag = put_bag(tmp_path / "bag", f"{GOOD}  {COMPOSED}\n{GOOD}  {DECOMPOSED}\n")
    (bag / "data/a.wav").rename(bag / DECOMPOSED)
    assert named(verify_package(bag)) == {COMPOSED: "missing"}


def test_a_percent_sign_as_the_reference_library_writes_it(tmp_path: Path) -> None:
    """`bagit` leaves % as it is, against RFC 8493, 2.1.3."""
    bag = put_bag(tmp_path / "bag", f"{GOOD}  data/100%25.wav\n")
    (bag / "data/a.wav").rename(bag / "data/100%25.wav")
    assert verify_package(bag).is_whole


def test_no_list_that_can_be_checked(tmp_path: Path) -> None:
    bag = put_bag(tmp_path / "bag", "")
    (bag / "manifest-sha256.txt").rename(bag / "manifest-crc32.txt")
    result = verify_package(bag)
    assert not result.is_whole
    assert not result.is_complete


@given(text=st.binary(max_size=200))
@settings(
    max_examples=100,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_any_bytes_as_tag_files(tmp_path: Path, text: bytes) -> None:
    bag = tmp_path / "bag"
    (bag / "data").mkdir(parents=True, exist_ok=True)
    (bag / "data/a.wav").write_bytes(b"RIFF")
    for name in ("bagit.txt", "manifest-sha256.txt", "tagmanifest-md5.txt", "fetch.txt"):
        (bag / name).write_bytes(text)
    assert not verify_package(bag).is_whole


def test_lists_larger_than_memory_allows(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stemprep.package.bag_reading.MAX_TAG_BYTES", 1000)
    result = verify_package(package)
    assert not result.is_whole
    assert named(result)["manifest-sha512.txt"] == "tag"
    assert "data/stems/Bass.wav" not in named(result)


# --- jobs elsewhere


def test_in_worker_processes(package: Path) -> None:
    (package / "data/stems/Bass.wav").write_bytes(b"RIFX" * 3)
    with ProcessPoolExecutor(1) as pool:
        result = verify_package(package, run_jobs=pool.map)
    assert named(result) == {"data/stems/Bass.wav": "changed"}


def test_a_worker_that_died_is_told(package: Path) -> None:
    class Died:
        reason = "out of memory"

    def dying(function: object, jobs: Sequence[HashJob]) -> Iterable[object]:
        return [Died() if job.path.endswith("Bass.wav") else hash_file(job) for job in jobs]

    result = verify_package(package, run_jobs=dying)
    assert named(result) == {"data/stems/Bass.wav": "changed"}
    assert "out of memory" in result.damages[0].message


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read anything")
def test_a_file_that_may_not_be_read(package: Path) -> None:
    (package / "data/stems/Bass.wav").chmod(0)
    result = verify_package(package)
    assert named(result) == {"data/stems/Bass.wav": "changed"}


# --- lists that cost more than they say


def test_a_list_of_nothing_but_bad_lines_takes_little_memory(tmp_path: Path) -> None:
    bag = put_bag(tmp_path / "Package", "x\n" * 500_000)
    tracemalloc.start()
    try:
        result = verify_package(bag)
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert named(result)["manifest-sha256.txt"] == "tag"
    assert peak_bytes < 10_000_000  # 1 MB of text, held a few times


def test_a_list_with_more_lines_than_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stemprep.package.bag_reading.MAX_LISTED", 2)
    bag = put_bag(tmp_path / "Package", "".join(f"{GOOD}  data/{n}.wav\n" for n in "abcd"))
    (damage,) = [each for each in verify_package(bag).damages if each.path == "manifest-sha256.txt"]
    assert damage.message.startswith("line 3 and what follows was not read")


def test_a_list_that_is_too_large_is_not_hashed(
    package: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sparse file of terabytes costs its sender nothing."""
    monkeypatch.setattr("stemprep.package.bag_reading.MAX_TAG_BYTES", 1_000_000)
    os.truncate(package / "manifest-sha512.txt", 2_000_000)
    hashed: list[str] = []

    def run_jobs(
        function: Callable[[HashJob], object], jobs: Sequence[HashJob]
    ) -> Iterable[object]:
        hashed.extend(job.path for job in jobs)
        return map(function, jobs)

    result = verify_package(package, run_jobs=run_jobs)
    assert "manifest-sha512.txt" not in hashed
    assert "bagit.txt" in hashed
    assert named(result)["manifest-sha512.txt"] == "tag"


def small_bag(folder: Path, *, listed: str = "data/take.wav", fetch: str | None = None) -> Path:
    """A bag of one file, by hand; ``listed``: how its list names it."""
    (folder / "data").mkdir(parents=True)
    (folder / "data/take.wav").write_bytes(b"sound")
    (folder / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    digest = hashlib.sha256(b"sound").hexdigest()
    (folder / "manifest-sha256.txt").write_text(f"{digest}  {listed}\n")
    if fetch is not None:
        (folder / "fetch.txt").write_text(f"https://invented.example/take 5 {fetch}\n")
    return folder


@pytest.mark.parametrize(
    "place", ["../../take.wav", "/srv/take.wav", "~/take.wav", "C:\\take.wav", "bagit.txt"]
)
def test_a_fetch_list_that_leads_out_of_the_payload_is_refused(place: str, tmp_path: Path) -> None:
    """RFC 8493, 5.3: such paths are a way to overwrite files of the machine that fetches."""
    proof = verify_package(small_bag(tmp_path / "bag", fetch=place))
    assert not proof.is_whole
    (damage,) = proof.damages
    assert damage.path == "fetch.txt"
    assert repr(place) in damage.message
    assert verify_package(small_bag(tmp_path / "good", fetch="data/take.wav")).is_whole


def test_a_list_whose_paths_begin_with_a_dot_is_read(tmp_path: Path) -> None:
    """As common tools wrote them into bags before RFC 8493 (BagIt 0.96, conformance suite)."""
    assert verify_package(small_bag(tmp_path / "bag", listed="./data/take.wav")).is_whole
    proof = verify_package(small_bag(tmp_path / "worse", listed="./../data/take.wav"))
    assert not proof.is_whole
