"""How often what was done to an original is told right, and how late a take is, on seeded sound.

Run: python -m tests.bench.bench_returns --seeds 20
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from stemprep.units import ratio_from_db
from stemprep.work.both_sounds import CompareJob
from stemprep.work.compare_sound import compare_sound
from stemprep.work.far_spill import measure_far_spill
from stemprep.work.lags import SpillJob, measure_spill
from tests.lineage.takes import RATE_HZ, Planar, filtered, rounded, take
from tests.work.test_compare_sound import file_of

SECONDS = 12.0
FRAMES = round(SECONDS * RATE_HZ)
Change = Callable[[Planar, np.random.Generator, slice], Planar]


def _lower(sound: Planar, generator: np.random.Generator, part: slice) -> Planar:
    gain_db = generator.uniform(0.3, 12) * generator.choice([-1, 1])
    return sound[:, part] * ratio_from_db(float(gain_db))


def _moved(sound: Planar, generator: np.random.Generator, part: slice) -> Planar:
    lag = int(generator.integers(20, 9_600)) * int(generator.choice([-1, 1]))
    return sound[:, part.start - lag : part.stop - lag]


def _silenced(sound: Planar, _: np.random.Generator, part: slice) -> Planar:
    return np.zeros_like(sound[:, part])


def _replaced(sound: Planar, generator: np.random.Generator, part: slice) -> Planar:
    return take(int(generator.integers(1_000, 2_000)), SECONDS)[:, part]


def _filtered(sound: Planar, _: np.random.Generator, part: slice) -> Planar:
    return filtered(sound[:, part])


CHANGES: Mapping[str, tuple[str, Change]] = {
    "gain": ("gain", _lower),
    "moved": ("moved", _moved),
    "silenced": ("edited", _silenced),
    "replaced": ("edited", _replaced),
    "filtered": ("processed", _filtered),
}


def tell_changes(folder: Path, seeds: range) -> None:
    """One changed stretch of 0.25 to 3 s a file: kind right, edges off by so many samples."""
    for name, (kind, change) in CHANGES.items():
        right, worst, began = 0, 0, time.process_time()
        for seed in seeds:
            generator = np.random.default_rng(seed)
            original = take(seed, SECONDS)
            length = int(generator.integers(RATE_HZ // 4, 3 * RATE_HZ))
            start = int(generator.integers(RATE_HZ, FRAMES - length - RATE_HZ))
            part = slice(start, start + length)
            returned = original.copy()
            returned[:, part] = change(original, generator, part)
            returned = rounded(returned)
            differs = np.flatnonzero((returned != original).any(axis=0))
            found = compare_sound(
                CompareJob(
                    original=file_of(folder / "sent.wav", original),
                    returned=file_of(folder / "back.wav", returned),
                )
            )
            assert found is not None
            regions = found.regions
            if len(regions) == 1 and regions[0].kind == kind:
                right += 1
                edges = (regions[0].start_sample, regions[0].end_sample)
                worst = max(worst, abs(edges[0] - differs[0]), abs(edges[1] - differs[-1] - 1))
        cost = (time.process_time() - began) / len(seeds)
        told = f"{right}/{len(seeds)} right, edges off by {worst} at most"
        print(f"{name:10} {told}, {cost:.2f} s CPU each")


def tell_lateness(folder: Path, seeds: range) -> None:
    """A sung take with the mix under it, so late: told within 4 samples, told wrong, not told."""
    for level_db in (-34.0, -44.0, -54.0, None):
        near, wrong, silent, far_right, far_wrong = 0, 0, 0, 0, 0
        for seed in seeds:
            generator = np.random.default_rng(seed)
            mix = sum(take(10 * seed + n, SECONDS)[0] for n in range(4)) * 0.5
            late = int(generator.integers(-4_800, 4_800))
            track = _sung(generator)
            if level_db is not None:
                heard = np.roll(mix, late)
                track = track + heard * ratio_from_db(level_db) * np.std(track) / np.std(heard)
            job = _job(folder, rounded(track[np.newaxis]), rounded(mix[np.newaxis]))
            lag = measure_spill(job)
            assert lag is not None
            if lag.kind != "spill" or lag.peak is None:
                silent += 1
            elif level_db is not None and abs(lag.peak.lag_samples - late) <= 4:
                near += 1
            else:
                wrong += 1
            start = int(generator.integers(0, FRAMES // 2))
            cut = file_of(folder / "cut.wav", rounded(track[np.newaxis, start:]))
            place = measure_far_spill(replace(job, track=cut.sound))
            if place is not None:
                is_right = abs(place.start_s * RATE_HZ - (start - late)) <= 5
                far_right += is_right and level_db is not None
                far_wrong += not is_right or level_db is None
        words = "none" if level_db is None else f"{level_db:.0f} dB"
        print(
            f"spill {words:7} late: {near} within 4 samples, {wrong} wrong, {silent} not told; "
            f"anywhere: {far_right} right, {far_wrong} wrong, of {len(seeds)}"
        )


def _sung(generator: np.random.Generator) -> np.ndarray:
    time_s = np.arange(FRAMES) / RATE_HZ
    phase = 2 * np.pi * generator.uniform(150, 500) * time_s
    phase = phase + 0.4 * np.sin(2 * np.pi * generator.uniform(4, 6) * time_s)
    swell = 0.55 + 0.45 * np.sin(2 * np.pi * generator.uniform(0.2, 0.6) * time_s)
    return np.asarray(sum(0.1 * swell * np.sin(part * phase) / part for part in range(1, 6)))


def _job(folder: Path, track: Planar, mix: Planar) -> SpillJob:
    first, second = file_of(folder / "od.wav", track), file_of(folder / "mix.wav", mix)
    return SpillJob(root=str(folder), track=first.sound, mix=second.sound)


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=101, help="seeds under 100 set thresholds")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.seeds)
    with tempfile.TemporaryDirectory() as name:
        tell_changes(Path(name), seeds)
        tell_lateness(Path(name), seeds)


if __name__ == "__main__":
    main()
