"""Whatever files are called, every package is proved by tools that everybody has."""

from __future__ import annotations

import json
import shutil
import subprocess
import warnings
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from stemprep.app.corrections.correction import Correction
from stemprep.app.delivery.deliver import deliver
from stemprep.app.packages.open_package import compare
from stemprep.app.packages.verify import verify
from stemprep.app.returns.reconcile import reconcile
from stemprep.engine import InlineEngine
from stemprep.naming import listing_problems, portable
from stemprep.spec import shipped_specs
from tests.end_to_end import drops

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # bagit imports the deprecated pkg_resources
    import bagit

KINDS = (
    "Keys 50%", "100%25", "%", "%0A", "a%0Db", "new\nline", "carriage\rreturn", "tab\tbed",
    "\x1b[31mred",
    "back\\slash", "-rf", "--", " lead", "trail ", "end.", "no-break\u00a0", "\u3000wide\u3000",
    "next\u0085line", "line\u2028separator", "\x0b\x0c\x1c", "Cafe\u0301", "Caf\u00e9", "\ufb01ne",
    "*star", "#hash", "~home", "$(reboot)", "`id`", "'quote\"", "CON", "\u202eva", "\u6b4c" * 60,
    "x" * 240, "%" * 120, "a\u0301" * 80, "\udce9", "..", ".hidden", "v1.2%.3",
)  # fmt: skip
ANY = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="/\0"), min_size=1)
NAMES = st.lists(st.sampled_from(KINDS) | ANY, min_size=3, max_size=3)


def put_drop(folder: Path, names: list[str]) -> Path:
    """Two folders with takes and a document of any names."""
    top, first, second = names
    for number, name in enumerate((first, second), start=1):
        drops.write_take(
            folder / top / f"{number}{name}.wav",
            drops.note(peak_dbfs=-9, seconds=0.5, seed=number),
        )
    drops.write_take(folder / f"{second}.wav", drops.note(peak_dbfs=-12, seconds=0.5, seed=5))
    (folder / top / f"{first}.txt").write_text("Take 3 is the one.\n")
    return folder


def is_accepted_by_all(package: Path) -> bool:
    """GNU coreutils' sha256sum, RFC 8493's reference implementation `bagit`, and verify."""
    done = subprocess.run(
        ["sha256sum", "-c", "--quiet", "--strict", "manifest-sha256.txt", "tagmanifest-sha256.txt"],
        cwd=package, capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert bagit.Bag(str(package)).is_valid()
    (result,) = verify([package], InlineEngine())
    assert result.damages == ()
    return result.is_whole


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
@pytest.mark.parametrize("spec", sorted(shipped_specs()))
@given(names=NAMES)
@example(names=["Keys 50%", "100%25", "%0A"])
@example(names=["new\nline", "carriage\rreturn", "back\\slash"])
@example(names=["-rf", " lead", "no-break\u00a0"])
@example(names=["Cafe\u0301", "x" * 240, "line\u2028separator"])
@settings(
    max_examples=6,
    deadline=None,
    database=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
def test_every_package_of_every_spec(
    spec: str, names: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    place = tmp_path_factory.mktemp("any")
    try:
        drop = put_drop(place / "drop", names)
    except OSError:  # longer than a disk holds, or a folder where a file has to be
        assume(False)
    report = deliver(drop, spec, [place / "out"], engine=InlineEngine())
    assert report.package is not None, [finding.message for finding in report.findings]
    assert is_accepted_by_all(Path(str(report.package)))


def test_a_name_with_a_percent_sign_gives_way_and_stands_in_the_table(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    drops.write_take(drop / "Keys 50%.wav", drops.note(peak_dbfs=-9, seconds=0.5))
    drops.write_take(drop / "Keys 50_.wav", drops.note(peak_dbfs=-9, seconds=0.5, seed=2))
    (drop / "mix at 50%.txt").write_text("half\n")
    report = deliver(drop, "archive", [tmp_path / "out"], engine=InlineEngine())
    package = Path(str(report.package))
    kept = {path.name for path in (package / "data").iterdir()}
    assert {"Keys 50_.wav", "Keys 50__2.wav", "mix at 50_.txt"} <= kept
    table = (package / "data/names-table.csv").read_text(encoding="utf-8")
    assert "Keys 50%.wav" in table
    assert "mix at 50%.txt" in table
    (renamed,) = [
        step
        for file in json.loads((package / "data/manifest.json").read_text())["files"]
        for step in file["operations"]
        if step["name"] == "rename"
    ]
    assert "lists of checksums" in renamed["reason"]
    assert is_accepted_by_all(package)


# --- packages of 0.1.0 hold % in names and %25 in their lists


@pytest.fixture
def old_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A package as 0.1.0 made it: names keep %."""
    drop = tmp_path / "Slow Ferry Home"
    drops.write_take(drop / "01 Keys 50%.wav", drops.note(peak_dbfs=-9, seconds=1.0))
    drops.write_take(drop / "02 Bass.wav", drops.note(peak_dbfs=-9, seconds=1.0, seed=2))
    (drop / "50% notes.txt").write_text("Take 3 is the one.\n")
    really = portable._replacement

    def keep(character: str) -> str:
        return character if character == "%" else really(character)

    with monkeypatch.context() as patch:
        patch.setattr(portable, "_replacement", keep)
        report = deliver(drop, "overdub", [tmp_path / "old"], engine=InlineEngine())
    package = Path(str(report.package))
    assert "%25" in (package / "manifest-sha256.txt").read_text()
    return package


def test_a_package_of_before_is_whole(old_package: Path) -> None:
    (result,) = verify([old_package], InlineEngine())
    assert result.is_whole


def test_what_comes_back_of_a_package_of_before_is_known(old_package: Path, tmp_path: Path) -> None:
    (keys,) = old_package.rglob("*Keys 50%.wav")
    back = tmp_path / "back"
    back.mkdir()
    shutil.copy(keys, back / keys.name)
    fates = {
        fate.source: fate
        for fate in reconcile(back, old_package, engine=InlineEngine()).returned.originals
    }
    assert fates["01 Keys 50%.wav"].status == "identical"
    assert not fates["01 Keys 50%.wav"].is_renamed


def test_a_package_of_before_is_corrected(old_package: Path, tmp_path: Path) -> None:
    fixed = tmp_path / "fixed"
    drops.write_take(fixed / "02 Bass.wav", drops.note(peak_dbfs=-10, seconds=1.0, seed=2))
    report = deliver(
        fixed, "overdub", [tmp_path / "new"], engine=InlineEngine(),
        correction=Correction(package=old_package, reason="keys again"),
    )  # fmt: skip
    package = Path(str(report.package))
    assert is_accepted_by_all(package)
    assert not list(package.rglob("*%*"))
    changes = {change.path: change for change in compare(old_package, package).files}
    (keys,) = [path for path in changes if "Keys" in path and not changes[path].made_by_us]
    assert changes[keys].kinds == ("renamed",)
    assert changes[keys].was is not None
    assert "50%" in changes[keys].was


def test_a_file_with_a_percent_sign_is_corrected(old_package: Path, tmp_path: Path) -> None:
    fixed = tmp_path / "fixed"
    drops.write_take(fixed / "01 Keys 50%.wav", drops.note(peak_dbfs=-10, seconds=1.0, seed=9))
    report = deliver(
        fixed, "overdub", [tmp_path / "new"], engine=InlineEngine(),
        correction=Correction(package=old_package, reason="keys again"),
    )  # fmt: skip
    package = Path(str(report.package))
    assert is_accepted_by_all(package)
    assert [path.name for path in package.rglob("*Keys*.wav") if "minus" not in str(path)]


@given(path=st.text(max_size=60))
def test_a_portable_path_is_read_by_every_tool(path: str) -> None:
    assert listing_problems(portable.portable_path(path)) == ()
    assert listing_problems(portable.listable_path(path)) == ()
    if not listing_problems(path) and "" not in path.split("/"):
        assert portable.listable_path(path) == path


def test_own_specs_that_keep_names_give_way_to_lists_alone(tmp_path: Path) -> None:
    spec = tmp_path / "ours.yaml"
    spec.write_text("extends: archive\nnaming:\n  portable: false\n")
    drop = tmp_path / "drop"
    drops.write_take(drop / "Vox: 50%.wav", drops.note(peak_dbfs=-9, seconds=0.5))
    report = deliver(drop, spec, [tmp_path / "out"], engine=InlineEngine())
    package = Path(str(report.package))
    assert (package / "data/Vox: 50_.wav").is_file()
    assert is_accepted_by_all(package)
