"""Two deliveries of one session: what changed is told in one screen, and nothing else is."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from stemprep.app.delivery.deliver import deliver
from stemprep.app.packages.open_package import compare
from stemprep.errors import DeliveryError
from stemprep.lineage import FileChange, PackageComparison
from stemprep.report import comparison_schema, render_comparison, render_comparison_json
from tests import signals
from tests.cli.running import here
from tests.end_to_end import drops

RATE_HZ = 48_000
NAMES = ("Kick", "Bass", "Piano", "Voice", "Guitar", "Fiddle")


def sounds() -> dict[str, signals.Planar]:
    return {
        f"{name}.wav": drops.note(peak_dbfs=-9 - seed, seconds=1.0, seed=seed)
        for seed, name in enumerate(NAMES)
    }


def session(folder: Path, files: dict[str, signals.Planar], sheet: str = drops.SHEET) -> Path:
    for name, sound in files.items():
        drops.write_take(folder / name, sound)
    (folder / "session.yaml").write_text(sheet)
    (folder / "notes.txt").write_text("Take 3 is the one.\n")
    return folder


def packed(place: Path, drop: Path, after: Path | None = None) -> Path:
    report = deliver(drop, "archive", [place], after=after)
    assert report.package is not None, [finding.message for finding in report.findings]
    return Path(report.package)


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("old")
    return packed(place / "out", session(place / "drop", sounds()))


@pytest.fixture(scope="module")
def pair(old: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The next delivery: one of everything that may happen to a file."""
    place = tmp_path_factory.mktemp("new")
    files = sounds()
    files["Kick.wav"] = files["Kick.wav"] * 10 ** (-3 / 20)
    files["Bass.wav"] = np.pad(files["Bass.wav"], ((0, 0), (480, 0)))[:, :RATE_HZ]
    del files["Piano.wav"]
    files["Voice.wav"] = drops.note(peak_dbfs=-12, seconds=1.0, seed=77)
    del files["Guitar.wav"]
    files["Mandolin.wav"] = drops.note(peak_dbfs=-20, seconds=1.0, seed=78)
    sheet = drops.SHEET.replace("M. Kestrel", "J. Tern").replace("Home", "Home Again")
    drop = session(place / "drop", files, sheet)
    (drop / "Klavier.wav").write_bytes((old / "data/Piano.wav").read_bytes())
    (drop / "notes.txt").write_text("Take 4 is the one.\n")
    return old, packed(place / "out", drop, after=old)


def change_of(result: PackageComparison, path: str) -> FileChange:
    return next(change for change in result.files if change.path == path)


def test_each_change_is_told_as_what_it_is(pair: tuple[Path, Path]) -> None:
    result = compare(*pair)
    kinds = {change.path: change.kinds for change in result.files}
    assert kinds == {
        "Bass.wav": ("timing",),
        "Guitar.wav": ("removed",),
        "Kick.wav": ("level",),
        "Klavier.wav": ("renamed",),
        "Mandolin.wav": ("added",),
        "Voice.wav": ("re-recorded",),
    }
    assert result.same == 1  # Fiddle
    assert change_of(result, "Kick.wav").gain_db == pytest.approx(-3.0, abs=0.01)
    assert change_of(result, "Bass.wav").moved_samples == 480
    assert change_of(result, "Klavier.wav").was == "Piano.wav"
    assert [(item.path, item.kind) for item in result.documents] == [
        ("notes.txt", "changed"),
        ("session.yaml", "changed"),
    ]
    facts = {fact.name: (fact.old, fact.new) for fact in result.facts}
    assert facts == {
        "engineer": ("M. Kestrel", "J. Tern"),
        "title": ("Slow Ferry Home", "Slow Ferry Home Again"),
    }
    assert result.is_successor


def test_it_is_one_screen(pair: tuple[Path, Path]) -> None:
    text = render_comparison(compare(*pair))
    lines = text.splitlines()
    assert len(lines) <= 48
    assert max(map(len, lines)) <= 80
    assert "Bass.wav: 480 samples later" in text
    assert "Kick.wav: -3.00 dB" in text
    assert "Klavier.wav: was Piano.wav" in text
    assert "names its seal" in text


def test_the_other_way_round_is_no_successor(pair: tuple[Path, Path]) -> None:
    result = compare(pair[1], pair[0])
    assert not result.is_successor
    assert change_of(result, "Kick.wav").gain_db == pytest.approx(3.0, abs=0.01)
    assert change_of(result, "Bass.wav").moved_samples == -480


def test_a_package_with_itself_has_not_changed(old: Path) -> None:
    result = compare(old, old)
    assert (result.is_same, result.same) == (True, len(NAMES))
    assert render_comparison(result).startswith("Changes   none; 6 files the same")


def test_json_holds_to_its_schema(pair: tuple[Path, Path]) -> None:
    told: dict[str, Any] = json.loads(render_comparison_json(compare(*pair)))
    jsonschema.Draft202012Validator.check_schema(comparison_schema())
    jsonschema.validate(told, comparison_schema())


def test_many_changes_stay_on_one_screen(old: Path, tmp_path: Path) -> None:
    files = {
        f"a long name for take number {number:02d} of the evening.wav": drops.note(
            peak_dbfs=-9, seconds=0.2, seed=100 + number
        )
        for number in range(30)
    }
    new = packed(tmp_path / "out", session(tmp_path / "drop", files))
    lines = render_comparison(compare(old, new)).splitlines()
    assert len(lines) <= 48
    assert max(map(len, lines)) <= 80
    assert any("25 more" in line for line in lines)


def test_a_package_without_its_tag_manifest_is_not_compared(old: Path, tmp_path: Path) -> None:
    copy = drops.copied(old, tmp_path / "copy")
    (copy / "tagmanifest-sha256.txt").unlink()
    with pytest.raises(DeliveryError, match="no complete package"):
        compare(old, copy)


def test_the_command_tells_and_exits_with_0(
    pair: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    before = drops.state(pair[0])
    run = here(capsys, "compare", pair[0], pair[1], "--json", "-")
    assert run.code == 0, run.err
    assert json.loads(run.out)["is_successor"] is True
    assert here(capsys, "compare", pair[0], pair[1]).out.startswith("Changes")
    assert here(capsys, "compare", pair[0], pair[0].parent).code == 5
    assert drops.state(pair[0]) == before
