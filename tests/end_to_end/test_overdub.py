"""A complete overdub package by tools of others, and what an overdub room finds in it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import bagit
import numpy as np
import pytest
import soundfile

from stemprep.app.delivery.deliver import deliver
from tests import signals
from tests.app.mix_drops import sound_of
from tests.end_to_end import drops

FRAMES = 96_000
SHEET = """\
artist: The Quillmoor Lantern Band
title: Slow Ferry Home
songs:
  - title: Slow Ferry Home
    bar_1: {samples: 24000}
    tempo_map: [{bar: 1, tempo_bpm: 120, meter: 4/4}]
tracks:
  - {file: "Piano*", name: Grand piano, level_db: -3}
  - {file: "*", level_db: -6}
"""


def _late(sound: np.ndarray, frames: int) -> np.ndarray:
    return np.concatenate([np.zeros((len(sound), frames)), sound], axis=1)


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Of two rates, three word lengths, mono and stereo; sound begins at bar 1."""
    place = tmp_path_factory.mktemp("overdub")
    drop = place / "drop"
    drop.mkdir()
    for seed, name in enumerate(("Bass", "Vox", "Gtr")):
        sound = signals.pluck(peak_dbfs=-12, seconds=1.5, seed=seed)
        signals.write_wav(drop / f"{name}.wav", _late(sound, 24_000))
    drums = signals.noise(peak_dbfs=-12, seconds=1.5, channels=2)
    signals.write_wav(drop / "Drums.wav", _late(drums, 24_000), subtype="FLOAT")
    shaker = signals.noise(peak_dbfs=-20, seconds=1.5, seed=3)
    signals.write_wav(drop / "Shaker.wav", _late(shaker, 24_000), subtype="PCM_16")
    piano = signals.pluck(peak_dbfs=-12, seconds=1.5, rate_hz=44_100, channels=2, seed=9)
    signals.write_wav(drop / "Piano.wav", _late(piano, 22_050), rate_hz=44_100)
    (drop / "session.yaml").write_text(SHEET)
    delivered = deliver(drop, "overdub", [place / "out"]).package
    assert delivered is not None
    return Path(delivered)


def test_others_find_it_whole(package: Path) -> None:
    """By bagit, the reference validator of RFC 8493, and by coreutils."""
    assert bagit.Bag(str(package)).is_valid()
    if shutil.which("sha256sum") is not None:
        for manifest in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
            subprocess.run(
                ["sha256sum", "--check", "--quiet", manifest], cwd=package, check=True, timeout=60
            )


def test_everything_to_import_has_one_rate_word_start_and_length(package: Path) -> None:
    sounds = [soundfile.info(path) for path in sorted((package / "data").rglob("*.wav"))]
    assert len(sounds) == 6 + 1 + 6 + 1, "tracks, rough mix, minus-ones, click"
    assert {(each.samplerate, each.subtype, each.frames) for each in sounds} == {
        (48_000, "PCM_24", FRAMES - 24_000)
    }


def test_mono_stays_mono_and_tracks_are_numbered_by_the_sheet(package: Path) -> None:
    tracks = sorted((package / "data/tracks").iterdir())
    assert [(path.name, soundfile.info(path).channels) for path in tracks] == [
        ("01_Grand piano.wav", 2),
        ("02_Bass.wav", 1),
        ("03_Drums.wav", 2),
        ("04_Gtr.wav", 1),
        ("05_Shaker.wav", 1),
        ("06_Vox.wav", 1),
    ]


def test_what_can_be_kept_is_kept_to_the_sample(package: Path) -> None:
    bass = sound_of(package / "data/tracks/02_Bass.wav")
    expected = np.rint(signals.pluck(peak_dbfs=-12, seconds=1.5, seed=0) * 2.0**31) / 2.0**31
    assert np.abs(bass - expected).max() <= 2.0**-24


@pytest.mark.skipif(not drops.SESSIONS.exists(), reason="needs the recorded field sessions")
def test_a_field_session_keeps_its_own_rough_mix(tmp_path: Path) -> None:
    sent = drops.SESSIONS / "S05_overdub_return" / "sent"
    delivered = deliver(sent, "overdub", [tmp_path / "out"]).package
    assert delivered is not None
    payload = Path(delivered) / "data"
    (mix,) = (payload / "rough-mixes").iterdir()
    assert np.array_equal(sound_of(mix), sound_of(sent / "Rough Mix.wav"))
    names = sorted(path.name for path in (payload / "minus-ones").iterdir())
    assert names == [
        "Unbalanced sum without bass.wav",
        "Unbalanced sum without drums.wav",
        "Unbalanced sum without guitars.wav",
        "Unbalanced sum without keys.wav",
    ]
    # Without the drums: the others as they were sent, at one gain, found by least squares.
    minus = sound_of(payload / "minus-ones" / names[1])
    parts = [sound_of(sent / f"{name}.wav") for name in ("Bass", "Pad", "Piano", "Rhythm Gtr")]
    gain = np.sqrt(0.5)
    total = sum((np.repeat(gain * part, 2, axis=0) if len(part) == 1 else part) for part in parts)
    ratio = float((minus * total).sum() / (total * total).sum())
    assert np.abs(minus - ratio * total).max() < 2.0**-20
