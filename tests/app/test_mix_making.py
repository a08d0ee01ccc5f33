"""Where the parts of a mix stand against each other, and in what format it is written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.app.companions import MAKERS
from stemprep.app.delivery.deliver import deliver
from stemprep.containers import read_header
from stemprep.dsp.block import SoundBlock
from stemprep.engine import InlineEngine
from stemprep.model.header import AudioFormat, Bext
from stemprep.model.plan import OutputPlan
from stemprep.model.words import COMPANION_KINDS
from stemprep.package import verify_package
from stemprep.work.made import write_made
from tests import signals
from tests.app.mix_drops import sound_of
from tests.package.staged import staged
from tests.shipped import measure_settings

SPEC = """\
title: Room next door
purpose: files as they are, and a mix of them
extends: overdub
operations: {common_start: COMMON, equal_length: false, start_at_bar_1: false}
contents: {companions: [rough-mix]}
"""
SHEET = 'title: Slow Ferry Home\ntracks: [{file: "*", level_db: 0}]\n'


def _stamped(path: Path, start: int | None, *, frames: int = 48_000) -> None:
    """A mono sine with a time reference."""
    form = AudioFormat(
        container="WAV",
        encoding="integer",
        sample_rate_hz=48_000,
        channels=1,
        bit_depth=24,
        container_bits=24,
    )
    sound = signals.sine(440, peak_dbfs=-20, seconds=frames / 48_000)
    codes = np.rint(sound.T * 2.0**23).astype(np.int32) << 8
    block = SoundBlock(samples=(codes.T / 2.0**31).astype(np.float32), codes=codes)
    output = OutputPlan(
        sources=(),
        path=path.name,
        role="track",
        song="",
        operations=(),
        format=form,
        frames=frames,
        bext=None if start is None else Bext(time_reference_samples=start, umid=bytes(64)),
    )
    write_made(staged(path), output, iter([block]), measure_settings())


def _mix(tmp_path: Path, starts: tuple[int | None, int | None], common: str) -> Path:
    drop = tmp_path / "drop"
    drop.mkdir()
    for name, start, frames in zip(("Bass", "Vox"), starts, (48_000, 40_000), strict=True):
        _stamped(drop / f"{name}.wav", start, frames=frames)
    (drop / "session.yaml").write_text(SHEET)
    spec = tmp_path / "room.yaml"
    spec.write_text(SPEC.replace("COMMON", common))
    package = deliver(drop, spec, [tmp_path / "out"], engine=InlineEngine()).package
    assert package is not None
    return Path(package) / "data/rough-mixes/Rough mix.wav"


def _edges(path: Path) -> tuple[int, int, int]:
    """Length, and where the right-hand part begins and ends by its level."""
    level = np.abs(sound_of(path)[0])
    loud = np.flatnonzero(level > level.max() * 0.6)
    return level.size, int(loud[0]), int(loud[-1])


def test_files_stand_by_time_references_where_these_are_kept(tmp_path: Path) -> None:
    """The second file begins 24,000 samples later: both sound together only from there on."""
    size, first, last = _edges(_mix(tmp_path, (480_000, 504_000), "false"))
    assert size == 24_000 + 40_000
    assert first == pytest.approx(24_000, abs=60)
    assert last == pytest.approx(48_000, abs=60)


def test_files_hours_apart_stand_by_their_first_samples(tmp_path: Path) -> None:
    size, first, last = _edges(_mix(tmp_path, (0, 48_000 * 3600 * 2), "false"))
    assert size == 48_000
    assert first < 60
    assert last == pytest.approx(40_000, abs=60)


def test_the_mix_carries_the_start_of_its_files(tmp_path: Path) -> None:
    path = _mix(tmp_path, (480_000, 480_000), "true")
    with path.open("rb") as stream:
        header = read_header(stream, path.stat().st_size, path.name)
    assert header.time_reference_samples == 480_000
    assert header.bext is not None
    assert "T=stemprep sum files=2" in header.bext.coding_history
    assert soundfile.info(path).subtype == "PCM_24"


def test_a_hostile_group_stays_in_its_folder(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    drop.mkdir()
    for name, peak_dbfs in (("1", -9), ("2", -10)):
        signals.write_wav(drop / f"{name}.wav", signals.pluck(peak_dbfs=peak_dbfs, seconds=1))
    (drop / "session.yaml").write_text(
        'title: T\ntracks:\n  - {file: "1.wav", group: "../../../x<script>"}\n'
        '  - {file: "2.wav", group: "CON"}\n'
    )
    package = deliver(drop, "overdub", [tmp_path / "out"], engine=InlineEngine()).package
    assert package is not None
    assert verify_package(Path(package)).is_whole
    made = sorted(path.name for path in (Path(package) / "data/minus-ones").iterdir())
    assert len(made) == 2
    assert not any("<" in name for name in made)
    assert {path.name for path in tmp_path.iterdir()} == {"drop", "out"}


def test_every_maker_is_a_kind_that_specs_can_ask_for() -> None:
    assert set(MAKERS) <= set(COMPANION_KINDS)


def test_as_dropped_songs_in_one_folder_each_get_their_own(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    for song in ("Low Water", "Ebb Water"):
        (drop / "day 1" / song).mkdir(parents=True)
        for name in ("Bass", "Vox"):
            _stamped(drop / "day 1" / song / f"{name}.wav", 0)
    songs = (
        "songs: [{title: Low, folder: day 1/Low Water}, {title: Ebb, folder: day 1/Ebb Water}]\n"
    )
    (drop / "session.yaml").write_text(songs + SHEET)
    spec = tmp_path / "room.yaml"
    spec.write_text(
        "title: T\npurpose: P\nextends: archive\ncontents: {companions: "
        "[rough-mix, minus-ones, listening-copies, track-sheet, returns]}\n"
    )
    package = deliver(drop, spec, [tmp_path / "out"], engine=InlineEngine()).package
    assert package is not None
    assert verify_package(Path(package)).is_whole
    payload = Path(package) / "data"
    assert len(list(payload.rglob("Rough mix*.wav"))) == 2 * (1 + 2)
    assert len(list(payload.rglob("*.mp3"))) == 2 * (1 + 2)
    assert len(list(payload.rglob("track-sheet*"))) == 4
