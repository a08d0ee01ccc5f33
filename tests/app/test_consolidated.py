"""Consolidated copies: every take of a song on one start, beside the takes as they were dropped."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.app.delivery.deliver import deliver
from stemprep.app.packages.verify import verify
from stemprep.engine import InlineEngine
from tests.end_to_end import drops

ORDER = """\
title: Archive with consolidated copies
extends: archive
contents:
  companions: [names-table, consolidated]
"""


@pytest.fixture(scope="module")
def archived(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    place = tmp_path_factory.mktemp("shelf")
    drop = drops.tracking_drop(place / "drop")
    (drop / "99 Cut.wav").write_bytes((drop / "01 Kick.wav").read_bytes()[:30_000])
    (place / "order.yaml").write_text(ORDER)
    report = deliver(drop, place / "order.yaml", [place / "out"], engine=InlineEngine())
    assert report.package is not None, [finding.message for finding in report.findings]
    return drop, Path(report.package)


def copies(package: Path) -> dict[str, Path]:
    return {path.name: path for path in (package / "data/consolidated").rglob("*.wav")}


def test_every_whole_take_has_a_copy_and_a_damaged_one_has_none(
    archived: tuple[Path, Path],
) -> None:
    drop, package = archived
    takes = {path.name for path in drop.glob("*.wav")}
    assert set(copies(package)) == takes - {"99 Cut.wav"}
    assert (package / "data/99 Cut.wav").read_bytes() == (drop / "99 Cut.wav").read_bytes()


def test_the_copies_begin_and_end_together_at_their_own_rates(
    archived: tuple[Path, Path],
) -> None:
    _, package = archived
    lengths_s = {
        name: soundfile.info(path).frames / soundfile.info(path).samplerate
        for name, path in copies(package).items()
    }
    assert len(set(lengths_s.values())) == 1
    assert soundfile.info(copies(package)["03 Piano.wav"]).samplerate == 44_100
    assert soundfile.info(copies(package)["02 Bass.wav"]).subtype == "PCM_16"


def test_a_late_take_stands_after_exactly_the_silence_that_it_came_late_by(
    archived: tuple[Path, Path],
) -> None:
    """Its time reference lies 0.25 s after the others' (EBU Tech 3285, 2.3): 12,000 samples."""
    drop, package = archived
    take, _ = soundfile.read(drop / "04 Voice.wav", dtype="int32")
    copy, _ = soundfile.read(copies(package)["04 Voice.wav"], dtype="int32")
    assert not copy[:12_000].any()
    np.testing.assert_array_equal(copy[12_000 : 12_000 + take.size], take)
    assert not copy[12_000 + take.size :].any()


def test_the_manifest_tells_what_was_made_and_from_what(archived: tuple[Path, Path]) -> None:
    _, package = archived
    manifest = json.loads((package / "data/manifest.json").read_text())
    made = {file["path"]: file for file in manifest["files"] if file["made_by_us"]}
    assert set(made) == {
        f"data/{path.relative_to(package / 'data')}" for path in copies(package).values()
    }
    assert {source["path"] for file in made.values() for source in file["sources"]} == set(
        copies(package)
    )
    kinds = {companion["kind"] for companion in manifest["companions"]}
    assert kinds == {"consolidated"}
    (proof,) = verify([package])
    assert proof.is_whole
