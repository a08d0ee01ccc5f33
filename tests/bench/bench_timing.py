"""What it costs to tell lags, against measuring the files, and how true the lags are.

Run: ``python -m tests.bench.bench_timing``. CPU is user plus system time of this process, all jobs
inline; only the ratios mean anything. Accuracy is over generated kits of a seed half that no
threshold was set by: every drum a decaying noise burst, every microphone its own drum, spill of the
others at their distances, a room that answers, its own preamplifier's noise.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stemprep.app.check.inspect import inspected
from stemprep.app.check.microphones import content_jobs, microphone_jobs, with_lags
from stemprep.engine import InlineEngine
from stemprep.timing import (
    is_verdict,
    loud_stretches,
    microphone_lag,
    spectrum,
    window_frames,
    window_start,
)
from tests import signals

HELD_OUT = 5_000
KIT = ("Kick In", "Kick Out", "Snare Top", "Snare Bot", "Hat", "Tom Hi", "Tom Lo", "Ride")
DISTANT = ("OH L", "OH R", "Room L", "Room R")
OTHERS = ("Bass DI", "Bass Amp", "Gtr A", "Gtr B", "Piano", "Organ", "Sax", "Trumpet", "Vox",
          "BV 1", "BV 2", "Shaker")  # fmt: skip
SPEED_M_S = 343.2
COLUMNS = 600  # of the picture by which the product finds loud places

Sound = npt.NDArray[np.float64]


def make_tracks(folder: Path, seconds: int) -> None:
    """24 files, half of them stereo, without headers that say where they start."""
    for index, name in enumerate((*KIT, *DISTANT, *OTHERS)):
        channels = 1 if name in KIT else 1 + index % 2
        generator = np.random.default_rng(index)
        sound = generator.normal(0, 1e-4, (channels, seconds * 48_000))
        for onset in generator.integers(0, (seconds - 3) * 48_000, seconds):
            note = signals.pluck(peak_dbfs=-12, seconds=2, channels=channels, seed=int(onset))
            sound[:, onset : onset + note.shape[1]] += 0.5 * note
        signals.write_wav(folder / f"{index:02d}_{name}.wav", np.clip(sound, -0.99, 0.99))


def cost(seconds: int) -> None:
    """Print the ratio of all lag jobs to the measuring pass, and the memory they reach."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "session"
        folder.mkdir()
        maker = multiprocessing.get_context("fork").Process(
            target=make_tracks, args=(folder, seconds)
        )  # its memory is not counted here
        maker.start()
        maker.join()
        begin = time.process_time()
        with inspected(folder, "archive", engine=InlineEngine()) as found:
            whole = time.process_time() - begin
            lags = []
            for _ in range(3):
                begin = time.process_time()
                with_lags(found.measured, InlineEngine())
                lags.append(time.process_time() - begin)
            pairs = sum(len(job.pairs) for job in microphone_jobs(found.measured))
            files = sum(len(job.files) for job in content_jobs(found.measured))
        rest = whole - lags[0]
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"24 files of {seconds} s: {pairs} pairs of microphones, {files} files for content")
    print(
        f"check without lags {rest:.2f} s CPU, lags {min(lags):.2f} s: ratio {min(lags) / rest:.3f}"
    )
    print(f"peak memory of the whole process {peak_mb:.0f} MB")


@dataclass(frozen=True, slots=True)
class Scene:
    """A close and a distant microphone and the truth about them."""

    close: Sound
    distant: Sound
    lag_samples: float
    is_inverted: bool


def scene(seed: int, rate_hz: int = 48_000, seconds: float = 10.0) -> Scene:
    """A kit of four drums heard by one close microphone and one some way off."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * rate_hz)
    drums = [_drum(rng, frames, rate_hz) for _ in range(4)]
    way_m = rng.uniform(0.8, 6.0)
    lag = way_m / SPEED_M_S * rate_hz
    is_inverted = bool(rng.integers(2))
    close = drums[0].copy()
    distant = _late(drums[0], lag)
    for drum in drums[1:]:
        spill_m = rng.uniform(0.5, 1.5)
        close += 10 ** (rng.uniform(-30, -15) / 20) * _late(drum, spill_m / SPEED_M_S * rate_hz)
        distant += _late(drum, max(way_m + rng.uniform(-1, 1), 0.3) / SPEED_M_S * rate_hz)
    answer = rng.normal(size=rate_hz // 4) * np.exp(-np.arange(rate_hz // 4) / (0.05 * rate_hz))
    answer *= rng.uniform(0.1, 0.5) / np.sqrt(np.sum(answer**2))
    size = 1 << (frames + rate_hz - 1).bit_length()
    room = np.fft.irfft(np.fft.rfft(distant, size) * np.fft.rfft(answer, size), size)[:frames]
    distant = distant + room + rng.normal(0, 1e-4, frames)
    return Scene(close, -distant if is_inverted else distant, lag, is_inverted)


def _drum(rng: np.random.Generator, frames: int, rate_hz: int) -> Sound:
    """Hits of one drum: a tuned skin and a burst of noise, no two alike."""
    sound = np.zeros(frames)
    time_s = np.arange(rate_hz // 2) / rate_hz
    pitch_hz, ring_s = rng.uniform(60, 300), rng.uniform(0.05, 0.25)
    for onset in rng.integers(0, frames - rate_hz, rng.integers(8, 25)):
        skin = np.sin(2 * np.pi * pitch_hz * time_s * (1 + 0.3 * np.exp(-time_s / 0.03)))
        noise = rng.normal(size=len(time_s)) * np.exp(-time_s / 0.02)
        hit = (skin * np.exp(-time_s / ring_s) + 0.5 * noise) * rng.uniform(0.1, 0.4)
        sound[onset : onset + len(hit)] += hit
    return sound


def _late(sound: Sound, lag: float) -> Sound:
    """Later by a fraction of samples too, exactly, through the spectrum."""
    size = 1 << (len(sound) + 8_192 - 1).bit_length()
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) * lag / size)
    return np.asarray(np.fft.irfft(np.fft.rfft(sound, size) * turn, size)[: len(sound)])


def accuracy(scenes: int) -> None:
    """Print how many scenes get a verdict, and how many of those are right."""
    told = right = 0
    errors: list[float] = []
    for seed in range(HELD_OUT, HELD_OUT + scenes):
        truth = scene(seed)
        peak = measured(truth.close, truth.distant, 48_000)
        if peak is None:
            continue
        told += 1
        errors.append(abs(peak[0] - truth.lag_samples))
        right += errors[-1] <= 2.0 and peak[1] == truth.is_inverted
    unrelated = 0
    for seed in range(HELD_OUT, HELD_OUT + scenes):
        first, second = scene(seed), scene(seed + 100_000)
        unrelated += measured(first.close, second.distant, 48_000) is not None
    middle = float(np.median(errors)) if errors else float("nan")
    print(f"{scenes} kits: {told} told, {right} of them right (2 samples and polarity)")
    print(f"median error {middle:.3f} samples; {scenes} unrelated pairs: {unrelated} told")


def measured(close: Sound, distant: Sound, rate_hz: int) -> tuple[float, bool] | None:
    """Lag and polarity as the product finds them; None without a verdict."""
    frames = window_frames(rate_hz)
    columns = np.abs(close)[: len(close) // COLUMNS * COLUMNS].reshape(COLUMNS, -1).max(axis=1)
    stretches = loud_stretches(columns.tolist(), len(close), frames // 2)
    starts = [window_start(close[a:b], a, rate_hz) + frames for a, b in stretches]
    padded = [np.pad(sound, frames) for sound in (close, distant)]
    spectra = [spectrum(np.array([s[a : a + frames] for a in starts])) for s in padded]
    peak = microphone_lag(spectra[0], spectra[1], rate_hz)
    return None if peak is None or not is_verdict(peak) else (peak.lag_samples, peak.is_inverted)


def main() -> None:
    """Print cost and accuracy."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=240)
    parser.add_argument("--scenes", type=int, default=100)
    wanted = parser.parse_args(sys.argv[1:])
    cost(wanted.seconds)
    accuracy(wanted.scenes)


if __name__ == "__main__":
    main()
