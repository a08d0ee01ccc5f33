"""Files that commands write: tried before the work, whole or not at all, one failure not all."""

from __future__ import annotations

import errno
import os
import resource
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from stemprep.app import output_files
from stemprep.cli.output import put
from stemprep.errors import DeliveryError
from tests.cli.running import ROOT, here

Capture = pytest.CaptureFixture[str]
NOWHERE = "/nowhere/at/all"


@pytest.mark.parametrize(
    "line",
    [
        "check DROP --json FILE", "check DROP --html FILE", "plan DROP --spec archive --json FILE",
        "deliver DROP --to OUT --spec archive --json FILE",
        "deliver DROP --to OUT --spec archive --html FILE",
        "deliver DROP --to OUT --spec archive --receipt FILE",
        "reconcile DROP --against OUT --json FILE", "reconcile DROP --against OUT --html FILE",
        "compare DROP OUT --json FILE", "verify DROP --json FILE", "verify DROP --log FILE",
        "jobs --config DROP --json FILE", "jobs --config DROP show 1 --json FILE",
        "health --config DROP --json FILE", "places --config DROP --json FILE",
    ],
)  # fmt: skip
@pytest.mark.parametrize("file", [f"{NOWHERE}/r", "/proc/version/r", "/", "/proc/r"])
def test_outputs_are_tried_before_anything_is_read(
    line: str, file: str, tmp_path: Path, capsys: Capture
) -> None:
    """Neither drop, package nor config is there: who reads them first, says so first."""
    if "--log" in line:
        shelf = tmp_path / "shelf" / "package"
        shelf.mkdir(parents=True)
        (shelf / "bagit.txt").write_text("")
    chosen = {"FILE": file, "DROP": tmp_path / "shelf", "OUT": tmp_path / "out"}
    ran = here(capsys, *(chosen.get(part, part) for part in line.split()))
    assert ran.code == 5
    assert ran.err.startswith(f"stemprep: {file}: ")
    assert "nothing was " in ran.err
    assert ran.out == ""
    assert {path.name for path in tmp_path.iterdir()} <= {"shelf"}


def test_a_destination_is_tried_before_anything_is_read(tmp_path: Path, capsys: Capture) -> None:
    ran = here(capsys, "deliver", tmp_path / "drop", "--to", "/proc/new/out", "--spec", "archive")
    assert ran.code == 5
    assert ran.err.startswith("stemprep: /proc/new/out: writing into the destination failed (")


@pytest.mark.parametrize("link", [False, True])
def test_two_outputs_need_two_files(
    take: Path, tmp_path: Path, capsys: Capture, link: bool
) -> None:
    file = tmp_path / "report"
    other = file
    if link:
        other = tmp_path / "link"
        other.symlink_to(file)
    ran = here(capsys, "check", take, "--json", file, "--html", other)
    assert (ran.code, ran.out) == (2, "")
    assert "named twice" in ran.err
    assert not file.exists()


def test_outputs_that_are_no_files_may_be_the_same(take: Path, capsys: Capture) -> None:
    assert here(capsys, "check", take, "--json", os.devnull, "--html", os.devnull).code == 0


def _full_for(name: str) -> Callable[[Path, str], None]:
    real = output_files.replace_file

    def replace_file(path: Path, text: str) -> None:
        if path.name == name:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(path, text)

    return replace_file


@pytest.mark.parametrize("full", ["a.html", "b.json", "c.json"])
def test_one_output_that_fails_takes_no_other_with_it(
    take: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch, full: str
) -> None:
    monkeypatch.setattr(output_files, "replace_file", _full_for(full))
    names = {"--html": "a.html", "--json": "b.json", "--receipt": "c.json"}
    options = [part for option, name in names.items() for part in (option, tmp_path / name)]
    ran = here(capsys, "deliver", take, "--to", tmp_path, "--spec", "archive", *options)
    assert ran.code == 5
    assert ran.err.startswith(
        f"stemprep: {tmp_path / full}: the report could not be written: No space left on device; "
        "the disk is full"
    )
    assert "\nPackage " in ran.out
    assert {path.name for path in tmp_path.glob("?.*")} == {*names.values()} - {full}


def test_every_output_that_fails_is_named(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def refuse(message: str, **_: object) -> None:
        raise BrokenPipeError(errno.EPIPE, message)

    files = [(Path(NOWHERE) / name, lambda: "text") for name in ("one", "two")]
    with pytest.raises(DeliveryError, match=r"(?s)/one: .*\n.*/two: "):
        put(*files, shown=lambda: "shown")
    assert capsys.readouterr().out == "shown"
    said: list[str] = []
    monkeypatch.setattr(
        click, "echo", lambda text, err=False, nl=True: said.append(text) if err else refuse(text)
    )
    with pytest.raises(BrokenPipeError):
        put(*files, shown=lambda: "shown")
    assert [line.split(":")[1] for line in said] == [f" {NOWHERE}/one", f" {NOWHERE}/two"]


def _limited(largest_bytes: int, *arguments: str | Path, **extra: str) -> tuple[int, str, str]:
    """Run a command that may write no file beyond some size, as on a disk that is full then."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest_bytes, largest_bytes))

    done = subprocess.run(
        [sys.executable, "-m", "stemprep", *map(str, arguments)],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1", **extra},
        capture_output=True, text=True, check=False, preexec_fn=limit,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


def test_a_report_of_before_is_kept_where_the_new_one_does_not_fit(
    take: Path, tmp_path: Path, capsys: Capture
) -> None:
    """setrlimit(2): EFBIG where a file would grow beyond the limit, after part of it is written."""
    page, json = tmp_path / "page.html", tmp_path / "report.json"
    shown = here(capsys, "check", take, "--html", page, "--json", json).out
    before, told = page.read_bytes(), json.read_bytes()
    json.unlink()
    limit = (len(before) + len(told)) // 2
    assert len(told) < limit < len(before)
    code, out, err = _limited(limit, "check", take, "--html", page, "--json", json)
    assert (code, out) == (5, shown)
    assert err == (
        f"stemprep: {page}: the report could not be written: File too large; files may not be as "
        "large here (ulimit -f): raise that, or name a file elsewhere; the report of before is "
        "kept\n"
    )
    assert page.read_bytes() == before
    assert json.read_bytes() == told
    assert sorted(path.name for path in tmp_path.iterdir()) == [page.name, json.name]


def test_a_zip_that_cannot_be_unpacked_says_where_room_is_needed(
    take: Path, tmp_path: Path
) -> None:
    with zipfile.ZipFile(tmp_path / "drop.zip", "w") as parcel:
        parcel.write(next(take.rglob("*.wav")), "take.wav")
    code, _, err = _limited(5000, "check", tmp_path / "drop.zip", TMPDIR=str(tmp_path))
    assert code == 4
    assert "cannot be unpacked (File too large); make room where temporary files go" in err
    assert [path.name for path in tmp_path.iterdir()] == ["drop.zip"]


def test_a_full_disk_is_told_as_one(take: Path, tmp_path: Path) -> None:
    """A file system of 64 KiB in a mount namespace of its own (user_namespaces(7))."""
    unshare = shutil.which("unshare")
    alone = [unshare or "", "--mount", "--map-root-user"]
    if unshare is None or subprocess.run([*alone, "true"], check=False).returncode:
        pytest.skip("no mount namespaces here")
    disk = tmp_path / "disk"
    disk.mkdir()
    command = f'"{sys.executable}" -m stemprep check "{take}"'
    script = f"""
        mount -t tmpfs -o size=64k none "{disk}" && cd "{disk}" || exit 99
        echo before > page.html
        head -c 40000 /dev/zero > other
        {command} --html page.html --json "{tmp_path / "r.json"}" > "{tmp_path / "shown"}"
        echo "code $?"; cat page.html; ls -A
        head -c 40000 /dev/zero >> other
        {command} --html page.html
        echo "code $?"; cat page.html; ls -A
    """
    done = subprocess.run(
        [*alone, "/bin/sh", "-c", script],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode == 99:
        pytest.skip("no mounts here")
    assert done.stdout == "code 5\nbefore\nother\npage.html\n" * 2
    full = "page.html: the report could not be written: No space left on device; the disk is full"
    late, early = (line for line in done.stderr.splitlines() if line.startswith("stemprep: "))
    assert late.startswith(f"stemprep: {full}")
    assert late.endswith("; the report of before is kept")
    assert early.startswith(f"stemprep: {full}")
    assert early.endswith("; nothing was done yet")
    assert (tmp_path / "r.json").exists()
    assert "Verdict" in (tmp_path / "shown").read_text()


def test_a_log_that_takes_no_more_loses_nothing_that_was_found(
    take: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lines that were taken before the disk was full are taken back."""
    assert here(capsys, "deliver", take, "--to", tmp_path, "--spec", "archive").code == 0
    assert here(capsys, "verify", tmp_path).code == 0
    log = tmp_path / "fixity-log.csv"
    before = log.read_bytes()
    real = os.write

    def write_a_little(descriptor: int, content: bytes) -> int:
        if os.fstat(descriptor).st_size > len(before):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(descriptor, content[:20])

    monkeypatch.setattr("stemprep.package.shelf.os.write", write_a_little)
    ran = here(capsys, "verify", tmp_path)
    monkeypatch.undo()
    assert ran.code == 5
    assert "1 whole" in ran.out
    assert f"{log}: writing the log failed (No space left on device): the disk is full" in ran.err
    assert log.read_bytes() == before
