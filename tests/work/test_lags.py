"""Jobs over files: microphones, shared signals, spill across rates and starts."""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soxr

from stemprep.containers import read_header
from stemprep.work.excerpts import SoundFile
from stemprep.work.lags import (
    ContentJob,
    MicJob,
    MicPairPlan,
    SpillJob,
    measure_lags,
    measure_spill,
)
from tests import signals

RATE_HZ = 48_000
HITS = (30_000, 90_000, 150_000)


def drum(lag: int = 0, frames: int = 4 * RATE_HZ) -> np.ndarray:
    burst = np.random.default_rng(3).normal(size=9_600) * np.exp(-np.arange(9_600) / 1_500)
    sound = np.zeros(frames)
    for onset in HITS:
        sound[onset + lag : onset + lag + len(burst)] += 0.15 * burst
    return sound


def file_of(
    folder: Path, name: str, sound: np.ndarray, *, start: int | None = None, rate_hz: int = RATE_HZ
) -> SoundFile:
    path = signals.write_wav(folder / name, np.atleast_2d(sound), rate_hz=rate_hz)
    with path.open("rb") as stream:
        header = read_header(stream, path.stat().st_size, name)
    return SoundFile(path=name, raw_path=name.encode(), header=header, start_samples=start)


def mic_job(folder: Path, *files: SoundFile) -> MicJob:
    return MicJob(
        root=str(folder),
        song="",
        files=files,
        pairs=tuple(MicPairPlan(reference=0, file=n, relation="kit") for n in range(1, len(files))),
        loud={0: tuple((onset - 500, onset + 1_500) for onset in HITS)},
    )


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_lag_and_polarity_of_files(tmp_path: Path, suffix: str) -> None:
    job = mic_job(
        tmp_path,
        file_of(tmp_path, f"close.{suffix}", drum()),
        file_of(tmp_path, f"room.{suffix}", -0.5 * drum(674)),
    )
    (lag,) = measure_lags(pickle.loads(pickle.dumps(job)))  # noqa: S301 - what an engine does
    assert lag.lag_samples == pytest.approx(674, abs=0.05)
    assert lag.polarity == "inverted"
    assert lag.confidence > 0.9
    assert lag.channel is None


def test_files_that_start_elsewhere_are_compared_at_the_same_time(tmp_path: Path) -> None:
    """Recorded 20,000 samples later, by the time reference: the lag is that of the sound."""
    job = mic_job(
        tmp_path,
        file_of(tmp_path, "close.wav", drum(), start=1_000_000),
        file_of(tmp_path, "room.wav", drum(256)[20_000:], start=1_020_000),
    )
    (lag,) = measure_lags(job)
    assert lag.lag_samples == pytest.approx(256, abs=0.05)


def test_the_channel_that_hears_it_is_taken(tmp_path: Path) -> None:
    other = signals.noise(peak_dbfs=-20, seconds=4)[0]
    room = file_of(tmp_path, "room.wav", np.vstack([other, drum(300)]))
    (lag,) = measure_lags(mic_job(tmp_path, file_of(tmp_path, "close.wav", drum()), room))
    assert lag.channel == 2
    assert lag.lag_samples == pytest.approx(300, abs=0.05)


def test_no_verdict_is_told_as_none(tmp_path: Path) -> None:
    other = file_of(tmp_path, "other.wav", signals.noise(peak_dbfs=-20, seconds=4)[0])
    (lag,) = measure_lags(mic_job(tmp_path, file_of(tmp_path, "close.wav", drum()), other))
    assert (lag.lag_samples, lag.polarity, lag.confidence) == (None, None, 0.0)


def test_a_file_that_is_gone_takes_only_its_own_pairs_along(tmp_path: Path) -> None:
    files = [file_of(tmp_path, f"{n}.wav", drum(100 * n)) for n in range(3)]
    (tmp_path / "1.wav").unlink()
    (lag,) = measure_lags(mic_job(tmp_path, *files))
    assert lag.file == "2.wav"
    (tmp_path / "0.wav").unlink()
    assert measure_lags(mic_job(tmp_path, *files)) == ()


def test_content_that_three_files_share(tmp_path: Path) -> None:
    files = [file_of(tmp_path, f"{n}.wav", drum(lag)) for n, lag in enumerate((0, 0, 512, -64))]
    files.append(file_of(tmp_path, "4.wav", signals.noise(peak_dbfs=-20, seconds=4)[0]))
    found = measure_lags(ContentJob(root=str(tmp_path), song="", files=tuple(files), places=HITS))
    assert [(lag.file, lag.lag_samples) for lag in found] == [
        ("0.wav", 0), ("1.wav", 0), ("2.wav", 512), ("3.wav", -64),
    ]  # fmt: skip


def test_nothing_shared_is_nothing_told(tmp_path: Path) -> None:
    files = tuple(
        file_of(tmp_path, f"{n}.wav", signals.noise(peak_dbfs=-20, seconds=4, seed=n)[0])
        for n in range(3)
    )
    assert measure_lags(ContentJob(root=str(tmp_path), song="", files=files, places=HITS)) == ()


@pytest.mark.parametrize("late", [0, 1_200])
@pytest.mark.parametrize("begin", [0, 72_001])
def test_spill_at_another_start(tmp_path: Path, late: int, begin: int) -> None:
    """The track begins so many samples after the mix, by its time reference."""
    mix = 0.2 * np.random.default_rng(1).normal(size=12 * RATE_HZ)
    take = 0.3 * np.sin(2 * np.pi * 440 * np.arange(len(mix)) / RATE_HZ)
    track = (take + 0.02 * np.roll(mix, late))[begin:]
    job = SpillJob(
        root=str(tmp_path),
        track=file_of(tmp_path, "od.wav", track, start=172_800_000 + begin),
        mix=file_of(tmp_path, "mix.wav", mix, start=172_800_000),
    )
    found = measure_spill(job)
    assert found is not None
    assert found.kind == "spill"
    assert found.peak is not None
    assert found.peak.lag_samples == pytest.approx(late, abs=0.5)


def test_spill_of_a_file_that_is_gone(tmp_path: Path) -> None:
    file = file_of(tmp_path, "od.wav", drum())
    (tmp_path / "od.wav").unlink()
    assert measure_spill(SpillJob(root=str(tmp_path), track=file, mix=file)) is None


def test_microphones_at_different_rates_are_compared_at_the_same_times(tmp_path: Path) -> None:
    """The room at 44.1 kHz, converted by an independent library (soxr); stamps across rates."""
    room = soxr.resample(drum(256), RATE_HZ, 44_100, quality="VHQ")
    job = mic_job(
        tmp_path,
        file_of(tmp_path, "close.wav", drum(), start=480_000),
        file_of(tmp_path, "room.wav", -0.5 * room[10_000:], start=451_000, rate_hz=44_100),
    )
    (lag,) = measure_lags(job)
    assert lag.sample_rate_hz == 44_100
    assert lag.polarity == "inverted"
    assert lag.lag_samples == pytest.approx(256 * 44_100 / 48_000, abs=0.1)


def test_a_recorder_with_a_clock_of_its_own_is_told_with_its_drift(tmp_path: Path) -> None:
    frames = 40 * RATE_HZ
    hits = tuple(range(30_000, frames - 60_000, 3 * RATE_HZ))
    burst = np.random.default_rng(3).normal(size=9_600) * np.exp(-np.arange(9_600) / 1_500)
    sound = np.zeros(frames)
    for onset in hits:
        sound[onset : onset + len(burst)] += 0.15 * burst
    faster = soxr.resample(sound, RATE_HZ, RATE_HZ * (1 + 25e-6), quality="VHQ")
    files = file_of(tmp_path, "close.wav", sound), file_of(tmp_path, "camera.wav", faster[:frames])
    job = replace(
        mic_job(tmp_path, *files), loud={0: tuple((onset - 500, onset + 1_500) for onset in hits)}
    )
    (lag,) = measure_lags(job)
    assert lag.drift_ppm == pytest.approx(25.0, abs=0.2)
    (steady,) = measure_lags(mic_job(tmp_path, files[0], files[0]))
    assert steady.drift_ppm is None


@pytest.mark.parametrize(("starts", "is_shared"), [((), False), ((0, 0, 96_000), True)])
def test_a_shared_signal_is_looked_for_where_the_stamps_put_it(
    tmp_path: Path, starts: tuple[int, ...], is_shared: bool
) -> None:
    """The third file holds the same two seconds earlier: its time reference is right."""
    shared = signals.noise(peak_dbfs=-20, seconds=6, seed=1)[0]
    files = tuple(
        file_of(tmp_path, f"{name}.wav", sound + signals.noise(peak_dbfs=-60, seconds=4, seed=n)[0])
        for n, (name, sound) in enumerate(
            [("a", shared[:192_000]), ("b", shared[:192_000]), ("c", shared[96_000:])], 2
        )
    )
    job = ContentJob(root=str(tmp_path), song="", files=files, places=(120_000,), starts=starts)
    lags = {lag.file: lag for lag in measure_lags(job)}
    assert set(lags) == ({"a.wav", "b.wav", "c.wav"} if is_shared else {"a.wav", "b.wav"})
    assert {lag.placed_by for lag in lags.values()} == {
        "time-reference" if starts else "file-start"
    }
    assert {lag.lag_samples for lag in lags.values()} == {0}
