"""Packages are proved by tools that everybody has, and by the reference implementation of BagIt."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import bagit
import pytest

from stemprep.app.delivery.deliver import deliver
from stemprep.package import check_commands
from tests.end_to_end import drops

SPECS = ("mastering", "overdub", "archive")


def needs(tool: str) -> str:
    found = shutil.which(tool)
    if found is None:
        pytest.skip(f"{tool} is not installed")
    return found


@pytest.fixture(scope="module")
def drop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = drops.tracking_drop(tmp_path_factory.mktemp("house") / "Slow Ferry Home")
    extra = drops.note(peak_dbfs=-9, seconds=1.0, seed=77)
    drops.write_take(folder / "07 Fährmann (été) #2.wav", extra)
    return folder


@pytest.fixture(scope="module", params=SPECS)
def package(
    request: pytest.FixtureRequest, drop: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    report = deliver(drop, request.param, [tmp_path_factory.mktemp("folder")])
    assert report.package is not None, [finding.message for finding in report.findings]
    return Path(report.package)


@pytest.fixture(scope="module", params=SPECS)
def zipped(
    request: pytest.FixtureRequest, drop: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    report = deliver(drop, request.param, [tmp_path_factory.mktemp("zip")], form="zip")
    assert report.package is not None, [finding.message for finding in report.findings]
    return Path(report.package)


def check_sums(package: Path) -> subprocess.CompletedProcess[str]:
    """The line of the delivery note for Linux (GNU coreutils' sha256sum), as it stands there."""
    command = dict(check_commands())["Linux"]
    assert command in (package / "data/delivery-note.txt").read_text()
    return subprocess.run(
        ["sh", "-c", command], cwd=package, capture_output=True, encoding="utf-8", check=False
    )


def test_the_bagit_reference_implementation_accepts_it(package: Path) -> None:
    """RFC 8493 by its reference implementation, bagit."""
    bag = bagit.Bag(str(package))
    assert bag.is_valid()
    assert bag.version_info == (1, 0)


def test_sha256sum_accepts_it(package: Path) -> None:
    needs("sha256sum")
    done = check_sums(package)
    assert done.returncode == 0, done.stdout + done.stderr
    checked = [line for line in done.stdout.splitlines() if line.endswith(": OK")]
    files = [path for path in package.rglob("*") if path.is_file()]
    own = [path for path in files if path.name.startswith("tagmanifest-")]
    assert len(checked) >= len(files) - len(own)


def test_sha256sum_finds_a_flipped_byte(package: Path, tmp_path: Path) -> None:
    needs("sha256sum")
    copy = drops.copied(package, tmp_path / "copy")
    victim = next(iter(sorted((copy / "data").rglob("*.wav"))))
    content = bytearray(victim.read_bytes())
    content[-1] ^= 1
    victim.write_bytes(content)
    done = check_sums(copy)
    assert done.returncode != 0
    assert f"{victim.relative_to(copy)}: FAILED" in done.stdout


def test_unzip_accepts_the_zip(zipped: Path, tmp_path: Path) -> None:
    """Info-ZIP's unzip tests every checksum; what it unpacks is the package."""
    unzip = needs("unzip")
    done = subprocess.run([unzip, "-tq", zipped], capture_output=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    subprocess.run([unzip, "-qq", zipped, "-d", tmp_path], check=True)
    unpacked = tmp_path / zipped.stem
    assert bagit.Bag(str(unpacked)).is_valid()
    if shutil.which("sha256sum"):
        assert check_sums(unpacked).returncode == 0


def test_python_accepts_the_zip(zipped: Path, tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-m", "zipfile", "-e", zipped, tmp_path], check=True)
    assert bagit.Bag(str(tmp_path / zipped.stem)).is_valid()
