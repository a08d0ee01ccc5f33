"""A package for mastering: several songs in one, a folder a song, page one in running order."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile

from stemprep.app.delivery.deliver import deliver
from stemprep.engine import InlineEngine
from tests.conformance.test_libebur128 import reference
from tests.end_to_end import drops

SHEET = """\
artist: The Quillmoor Lantern Band
title: Lantern Nights
engineer: M. Kestrel
contact: mix room above the chandlery
upc: "0 12345 67890 5"
due: 2026-04-01
wishes: as open as the mix
credits: [Mixed by M. Kestrel, Cover by O. Tern]
songs:
  - title: Mill Race
    folder: b
    revision: 2
    mix_bus_limited: true
    gap_s: 2
  - title: Slow Ferry Home
    folder: a
    isrc: zzabc2600001
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
    for song in ("01 Mill Race", "02 Slow Ferry Home"):
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
    assert "Master from 02 Slow Ferry Home/mixes/Song Mix.wav Listen to" in plain
    assert "ISRC ZZ-ABC-26-00001" in plain
    assert "2 stems add up to the mix" in plain
    assert "by the second meter" in plain
    assert "Contact M. Kestrel, mix room above the chandlery" in " ".join(page_one.split())


def test_page_one_begins_with_the_record_and_its_mixes(package: Path) -> None:
    note = (package / "data/delivery-note.txt").read_text(encoding="utf-8")
    record, _, rest = note.split("\nThe record\n")[1].partition("\nThe mixes")
    told = " ".join(record.split())
    assert "Running order 1 Mill Race, 2 s of silence, 2 Slow Ferry Home" in told
    assert "Length 0:04.000 for 2 songs with 2 s of gaps" in told
    assert "UPC/EAN 012345678905 Wanted back 2026-04-01 Please as open as the mix" in told
    assert "Credits Mixed by M. Kestrel; Cover by O. Tern" in told
    rows = rest.split("\nSong 1 of 2")[0].splitlines()
    assert [line.strip() for line in rows if ".wav" in line] == [
        "01 Mill Race/mixes/Song Mix.wav",
        "02 Slow Ferry Home/mixes/Song Mix.wav",
    ]
    assert max(map(len, rows)) <= 80
    assert rows[1].endswith("limiter")
    assert rows[3].endswith("yes")
    assert rows[5].endswith("not said")


def test_the_figures_of_the_table_are_those_of_the_packaged_mixes(package: Path) -> None:
    """Held against pyebur128, which measures the package's own files."""
    note = (package / "data/delivery-note.txt").read_text(encoding="utf-8")
    lines = note.splitlines()
    for song in ("01 Mill Race", "02 Slow Ferry Home"):
        path = f"{song}/mixes/Song Mix.wav"
        row = lines[next(i for i, line in enumerate(lines) if line.strip() == path) + 1].split()
        sound, rate_hz = soundfile.read(package / "data" / path, dtype="float64")
        assert row[:2] == ["0:01.000", "48k/24"]
        assert float(row[2]) == pytest.approx(20 * np.log10(np.abs(sound).max()), abs=0.051)
        loudness = pyebur128.get_loudness_global(reference(sound.T, rate_hz))
        assert float(row[4]) == pytest.approx(loudness, abs=0.051)
        assert row[6] == "rounding"
    with (package / "data/manifest.csv").open(encoding="utf-8", newline="") as table:
        figures = {row["path"]: row for row in csv.DictReader(table)}
    mix = figures["data/02 Slow Ferry Home/mixes/Song Mix.wav"]
    assert float(mix["peak_to_loudness_lu"]) == pytest.approx(
        float(mix["true_peak_dbtp"]) - float(mix["loudness_lufs"]), abs=0.011
    )
