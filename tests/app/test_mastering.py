"""A package for mastering: several songs in one, a folder a song, page one in running order."""

from __future__ import annotations

from pathlib import Path

import pytest

from stemprep.app.delivery.deliver import deliver
from stemprep.engine import InlineEngine
from tests.end_to_end import drops

SHEET = """\
artist: The Quillmoor Lantern Band
title: Lantern Nights
engineer: M. Kestrel
contact: mix room above the chandlery
songs:
  - title: Mill Race
    folder: b
    revision: 2
    mix_bus_limited: true
  - title: Slow Ferry Home
    folder: a
    isrc: ZZ-ABC-26-00001
    master_candidate: "a/*Mix.wav"
"""


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("mastering")
    for seed, folder in ((1, "a"), (10, "b")):
        stems = [
            drops.note(peak_dbfs=-12, seconds=1.0, channels=2, seed=seed + step)
            for step in range(2)
        ]
        stems[0][1] *= 0.5
        stems[1][0] *= 0.5
        where = place / "drop" / folder
        for name, sound in zip(("Drums", "Keys"), stems, strict=True):
            drops.write_take(where / f"Song_STEM {name}.wav", sound)
        drops.write_take(where / "Song Mix.wav", stems[0] + stems[1])
    (place / "drop/session.yaml").write_text(SHEET)
    report = deliver(place / "drop", "mastering", [place / "out"], engine=InlineEngine())
    assert report.package is not None, [finding.message for finding in report.findings]
    return Path(report.package)


def test_each_song_has_its_folder(package: Path) -> None:
    for song in ("Mill Race", "Slow Ferry Home"):
        assert (package / "data" / song / "mixes/Song Mix.wav").is_file()
        assert len(list((package / "data" / song / "stems").iterdir())) == 2


def test_no_byte_of_sound_is_changed(package: Path) -> None:
    dropped = package.parents[1] / "drop"
    originals = {path.read_bytes() for path in dropped.rglob("*.wav")}
    assert {path.read_bytes() for path in (package / "data").rglob("*.wav")} == originals


def test_page_one_answers_what_a_mastering_room_asks_in_running_order(package: Path) -> None:
    note = (package / "data/delivery-note.txt").read_text(encoding="utf-8")
    page_one = note.split("\nAt a glance")[0]
    first, second = page_one.split("Song 1 of 2: Mill Race")[1].split(
        "Song 2 of 2: Slow Ferry Home"
    )
    plain = " ".join(second.split())
    assert "Mix bus through a limiter" in " ".join(first.split())
    assert "Revision 2" in " ".join(first.split())
    assert "Master from Slow Ferry Home/mixes/Song Mix.wav Listen to" in plain
    assert "ISRC ZZ-ABC-26-00001" in plain
    assert "2 stems add up to the mix" in plain
    assert "by the second meter" in plain
    assert "Contact M. Kestrel, mix room above the chandlery" in " ".join(page_one.split())
