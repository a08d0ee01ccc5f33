"""Lists and manifests of others cost memory by what is kept of them, not by what they hold."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from stemprep.package import verify_package
from stemprep.package.bag_reading import MAX_LISTED, MAX_TAG_BYTES
from stemprep.package.verify import MAX_DAMAGES
from tests.package import records
from tests.package.test_verify import put_bag

MAX_PEAK_BYTES = 200 << 20
_RUN = r"""
import re, sys
from stemprep.cli.main import run
try:
    run()
except SystemExit as end:
    code = end.code
status = open("/proc/self/status").read()
print(code, int(re.search(r"VmHWM:\s*(\d+) kB", status)[1]) * 1024, file=sys.stderr)
"""

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="peak memory is read from /proc"
)


def run_measured(*words: object) -> tuple[int, int, str]:
    """Run a command by itself; its exit code, its peak memory in bytes, and what it printed."""
    done = subprocess.run(
        [sys.executable, "-c", _RUN, *map(str, words)],
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    *text, last = done.stderr.splitlines()
    code, peak = map(int, last.split())
    return code, peak, done.stdout + "\n".join(text)


def lines(count: int, width: int = 64) -> str:
    return "".join(f"{number:0{width}x}  data/{number}.wav\n" for number in range(count))


@pytest.mark.parametrize("algorithm", ["md5", "sha256"])
def test_a_list_of_a_million_lines(tmp_path: Path, algorithm: str) -> None:
    """49 s and 569 MB; of sha256 the list is larger than what is read, of md5 it has more lines."""
    bag = put_bag(tmp_path / "bag", "")
    (bag / "manifest-sha256.txt").unlink()
    text = lines(1_000_000, 64 if algorithm == "sha256" else 32)
    assert (len(text) > MAX_TAG_BYTES) == (algorithm == "sha256")
    (bag / f"manifest-{algorithm}.txt").write_text(text)
    code, peak_bytes, told = run_measured("verify", bag, "--json", "-")
    assert code == 5
    assert peak_bytes < MAX_PEAK_BYTES
    (package,) = json.loads(told)["packages"]
    assert len(package["damages"]) <= MAX_DAMAGES
    if algorithm == "md5":
        assert package["damage_count"] == MAX_LISTED + 2  # all missing, a.wav extra, the list
    said = {item["path"]: item["message"] for item in package["damages"]}
    assert algorithm == "md5" or "64 MiB" in said["manifest-sha256.txt"]


def test_very_many_damages_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stemprep.package.verify.MAX_DAMAGES", 10)
    result = verify_package(put_bag(tmp_path / "bag", lines(50)))
    assert [damage.path for damage in result.damages] == sorted(d.path for d in result.damages)
    assert (len(result.damages), result.damage_count) == (10, 51)


@pytest.fixture
def repeated(tmp_path: Path) -> Path:
    """A package whose manifest.json holds 20,000 copies of one entry."""
    package = records.delivered(tmp_path)
    manifest = package / "data/manifest.json"
    told: dict[str, Any] = json.loads(manifest.read_text())
    entry = json.dumps(told["files"][0])
    text = json.dumps({**told, "files": []})
    copies = ", ".join([entry] * min(20_000, (60 << 20) // len(entry)))
    manifest.write_text(text.replace('"files": []', f'"files": [{copies}]'))
    return package


def test_comparing_a_manifest_of_copies(repeated: Path) -> None:
    code, peak_bytes, told = run_measured("compare", repeated, repeated)
    assert code == 5
    assert "stands twice" in told
    assert peak_bytes < MAX_PEAK_BYTES
