"""What is drawn and played around a place: from the samples, never louder than allowed."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.containers import read_header
from stemprep.model.finding import Occurrence
from stemprep.report.waveform import stretch_picture
from stemprep.work.closeups import MAX_PEAK_DBFS, CloseupJob, Place, loudest_lufs, read_closeups
from stemprep.work.excerpts import SoundFile

RATE_HZ = 48_000


def job(folder: Path, sound: np.ndarray, place: Place, name: str = "a.wav") -> CloseupJob:
    soundfile.write(folder / name, sound.T, RATE_HZ, subtype="PCM_24")
    with (folder / name).open("rb") as stream:
        header = read_header(stream, (folder / name).stat().st_size, name)
    file = SoundFile(path=name, raw_path=name.encode(), header=header)
    return CloseupJob(root=str(folder), file=file, places=(place,))


def at(sample: int, long: int = 1, *, is_heard: bool = True, channel: int = 1) -> Place:
    spot = Occurrence(channel=channel, start_sample=sample, end_sample=sample + long)
    return Place(spot=spot, is_heard=is_heard)


def sine(seconds: float, peak: float, channels: int = 1) -> np.ndarray:
    wave = peak * np.sin(2 * np.pi * 997 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    return np.tile(wave, (channels, 1))


@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_a_loud_excerpt_is_turned_down_and_begins_softly(tmp_path: Path, name: str) -> None:
    """A 997 Hz sine at 0 dBFS reads -3.01 LKFS (BS.1770-5, annex 1): 17 dB have to go."""
    (closeup,) = read_closeups(job(tmp_path, sine(10, 0.999), at(5 * RATE_HZ), name))
    assert closeup.excerpt is not None
    played, rate_hz = soundfile.read(io.BytesIO(closeup.excerpt.flac), always_2d=True)
    assert rate_hz == RATE_HZ
    assert 1 <= len(played) / RATE_HZ <= 4
    assert loudest_lufs(played.T, RATE_HZ) <= -19.95
    assert closeup.excerpt.gain_db == pytest.approx(-17.0, abs=0.1)
    assert np.abs(played[: RATE_HZ // 100]).max() < 0.2 * np.abs(played).max()


def test_a_click_in_quiet_sound_is_no_louder_than_the_peak_allowed(tmp_path: Path) -> None:
    sound = sine(10, 0.001)
    sound[0, 5 * RATE_HZ] = 0.99
    (closeup,) = read_closeups(job(tmp_path, sound, at(5 * RATE_HZ)))
    assert closeup.excerpt is not None
    played, _ = soundfile.read(io.BytesIO(closeup.excerpt.flac))
    assert np.abs(played).max() <= 10 ** (MAX_PEAK_DBFS / 20) + 1e-4


def test_quiet_sound_is_not_made_louder(tmp_path: Path) -> None:
    (closeup,) = read_closeups(job(tmp_path, sine(3, 0.01), at(RATE_HZ)))
    assert closeup.excerpt is not None
    assert closeup.excerpt.gain_db == 0.0


def test_of_many_channels_only_the_one_at_fault_is_heard(tmp_path: Path) -> None:
    sound = np.concatenate([sine(3, 0.01, 5), sine(3, 0.1)])
    (closeup,) = read_closeups(job(tmp_path, sound, at(RATE_HZ, channel=6)))
    assert closeup.excerpt is not None
    played, _ = soundfile.read(io.BytesIO(closeup.excerpt.flac), always_2d=True)
    assert played.shape[1] == 1
    assert np.abs(played).max() == pytest.approx(0.1, rel=0.01)


@pytest.mark.parametrize("sample", [0, 1, 3 * RATE_HZ - 1])
def test_places_at_the_edges_are_drawn_from_inside_the_file(tmp_path: Path, sample: int) -> None:
    (closeup,) = read_closeups(job(tmp_path, sine(3, 0.5), at(sample)))
    for stretch in (closeup.near, closeup.wide):
        assert stretch.start_sample >= 0
        assert stretch.start_sample <= sample < stretch.end_sample


def test_one_sample_is_seen_in_the_closeup(tmp_path: Path) -> None:
    sound = sine(4, 0.001)
    sound[0, 2 * RATE_HZ] = 0.5
    (closeup,) = read_closeups(job(tmp_path, sound, at(2 * RATE_HZ, is_heard=False)))
    assert closeup.near.step_samples == 1
    levels = np.frombuffer(closeup.near.levels, dtype=np.int8).reshape(-1, 2)
    assert levels[:, 1].argmax() == 2 * RATE_HZ - closeup.near.start_sample
    assert stretch_picture(closeup.near, 100)[2] == pytest.approx(0.5, rel=0.02)
    assert closeup.excerpt is None


def test_a_file_that_is_gone_gives_nothing(tmp_path: Path) -> None:
    lost = job(tmp_path, sine(1, 0.1), at(100))
    (tmp_path / "a.wav").unlink()
    assert read_closeups(lost) == ()
