"""A drop goes through the whole house: what comes out, what stays untouched, what is repeatable."""

from __future__ import annotations

import difflib
import json
import os
from dataclasses import dataclass
from pathlib import Path

import bagit
import pytest

from stemprep.app.check.inspect import inspect
from stemprep.app.delivery.deliver import deliver, plan
from stemprep.app.packages.verify import verify
from stemprep.engine import ProcessEngine
from tests.cli.running import apart, here
from tests.end_to_end import drops

EPOCH = "1919635200"
SPECS = ("archive", "mastering", "overdub")


@dataclass(frozen=True)
class Delivered:
    drop: Path
    package: Path
    before: dict[str, tuple[bytes | None, int, int]]


@pytest.fixture(scope="module", params=SPECS)
def delivered(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Delivered:
    """One drop checked, planned and delivered by each spec."""
    place = tmp_path_factory.mktemp("house")
    drop = drops.tracking_drop(place / "Slow Ferry Home")
    before = drops.state(drop)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        inspect(drop, request.param)
        plan(drop, request.param)
        report = deliver(drop, request.param, [place / "out"])
    assert report.package is not None, [finding.message for finding in report.findings]
    return Delivered(drop, Path(report.package), before)


def test_verify_and_the_reference_validator_accept_it(delivered: Delivered) -> None:
    """RFC 8493 by its reference implementation, bagit."""
    (proof,) = verify([delivered.package])
    assert (proof.is_whole, proof.is_complete, proof.damages) == (True, True, ())
    assert bagit.Bag(str(delivered.package)).is_valid()


def test_drop_is_untouched_by_check_plan_and_deliver(delivered: Delivered) -> None:
    assert drops.state(delivered.drop) == delivered.before


def test_nothing_but_the_package_lies_at_the_destination(delivered: Delivered) -> None:
    assert [path.name for path in delivered.package.parent.iterdir()] == [delivered.package.name]


def test_verify_writes_nothing(delivered: Delivered) -> None:
    before = drops.state(delivered.package)
    verify([delivered.package])
    assert drops.state(delivered.package) == before


def test_nothing_of_the_drop_is_lost(delivered: Delivered) -> None:
    """Every dropped file is a source, a carried document, the sheet, or named as left out."""
    manifest = json.loads((delivered.package / "data/manifest.json").read_text())
    told = json.dumps(manifest)
    for path in delivered.drop.iterdir():
        assert path.name in told, f"{path.name} is not accounted for"


def test_planned_copies_keep_every_byte(delivered: Delivered) -> None:
    originals = {
        path.read_bytes(): path.name for path in delivered.drop.iterdir() if path.suffix == ".wav"
    }
    carried = [
        path.read_bytes()
        for path in (delivered.package / "data").rglob("*.wav")
        if path.read_bytes() in originals
    ]
    if "overdub" not in delivered.package.name:
        assert len(carried) == len(originals)


def test_no_place_is_told_inside(delivered: Delivered) -> None:
    """Absolute paths of drop and destination stay out of a package."""
    for path, content in drops.tree(delivered.package).items():
        assert str(delivered.drop.parent).encode() not in content, path


def _assert_same(one: dict[str, bytes], other: dict[str, bytes]) -> None:
    """Both trees hold the same bytes; else show the lines that differ."""
    assert one.keys() == other.keys()
    for path, content in one.items():
        if content != other[path]:
            lines = difflib.unified_diff(
                content.decode("latin-1").splitlines(),
                other[path].decode("latin-1").splitlines(),
                path, path, lineterm="", n=0,
            )  # fmt: skip
            pytest.fail("\n".join(line[:300] for line in list(lines)[:20]))


def test_same_drop_elsewhere_gives_the_same_bytes(delivered: Delivered, tmp_path: Path) -> None:
    """Another folder, name, mtimes, time zone, umask, locale and number of workers."""
    spec = delivered.package.name.split("_")[1]
    if spec == "archive":
        pytest.skip("copies like mastering, which is tried")
    twin = drops.copied(delivered.drop, tmp_path / "Copy of it (2)")
    for number, path in enumerate(sorted(twin.rglob("*"), reverse=True)):
        os.utime(path, (10**9 + number, 10**9 + number))
    ran = apart(
        "deliver", twin, "--spec", spec, "--to", tmp_path / "elsewhere",
        env={"SOURCE_DATE_EPOCH": EPOCH, "TZ": "Pacific/Kiritimati", "LC_ALL": "C", "HOME": "/"},
        umask=0o077, cores=1,
    )  # fmt: skip
    assert ran.code == 0, ran.err
    _assert_same(drops.tree(delivered.package.parent), drops.tree(tmp_path / "elsewhere"))


def test_delivering_again_is_noticed_and_something_else_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    drop = drops.one_take(tmp_path / "drop")
    order = ("deliver", drop, "--spec", "archive", "--to", tmp_path / "out")
    assert here(capsys, *order).code == 0
    (package,) = (tmp_path / "out").iterdir()
    lies_there = drops.state(package)
    again = here(capsys, *order)
    assert again.code == 0
    head = again.out.partition("Package ")[2].partition("hecked against")[0]
    assert f"{package}(alreadydelivered" in "".join(head.split())
    assert drops.state(package) == lies_there
    (package / "data/delivery-note.txt").write_text("not ours")
    other = drops.tree(tmp_path / "out")
    refused = here(capsys, *order)
    assert refused.code == 5
    assert package.name in refused.err
    assert drops.tree(tmp_path / "out") == other, "what lies there is somebody's: never replaced"


def test_two_destinations_get_the_same(tmp_path: Path) -> None:
    drop = drops.one_take(tmp_path / "drop")
    report = deliver(drop, "archive", [tmp_path / "one", tmp_path / "two"])
    assert report.passed
    assert drops.tree(tmp_path / "one") == drops.tree(tmp_path / "two")


def test_a_delivery_follows_another(tmp_path: Path) -> None:
    drop = drops.one_take(tmp_path / "drop")
    first = deliver(drop, "archive", [tmp_path / "out"])
    assert first.package is not None
    second = deliver(drop, "archive", [tmp_path / "out"], after=Path(first.package))
    assert second.package is not None
    assert second.package.endswith("_02")
    manifest = json.loads((Path(second.package) / "data/manifest.json").read_text())
    assert Path(first.package).name in json.dumps(manifest["package"]["predecessor"])


@pytest.mark.usefixtures("worker_processes")
def test_facts_do_not_depend_on_the_engine(tmp_path: Path) -> None:
    drop = drops.tracking_drop(tmp_path / "drop")
    own_process = inspect(drop, "overdub")
    workers = inspect(drop, "overdub", engine=ProcessEngine(workers=3))
    assert own_process == workers


def test_a_failing_drop_makes_no_package(tmp_path: Path) -> None:
    """A NaN is not waivable and no operation of mastering removes it."""
    drop = tmp_path / "drop"
    sound = drops.note(peak_dbfs=-9, seconds=1.0)
    sound[0, 4000] = float("nan")
    drops.write_take(drop / "Song Mix.wav", sound, bits=32, encoding="float")
    report = deliver(drop, "mastering", [tmp_path / "out"])
    assert not report.passed
    assert report.package is None
    assert not (tmp_path / "out").exists() or not list((tmp_path / "out").iterdir())


def test_field_session_with_mastering(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """S03a: stems and mix travel byte for byte, and verify proves it."""
    session = drops.needs("S03a_mix_stems_null")
    delivered = here(capsys, "deliver", session, "--spec", "mastering", "--to", tmp_path / "out")
    assert delivered.code == 0, delivered.err
    (package,) = (tmp_path / "out").iterdir()
    assert here(capsys, "verify", package).code == 0
    carried = {path.read_bytes() for path in (package / "data").rglob("*.wav")}
    assert carried == {path.read_bytes() for path in session.glob("*.wav")}
