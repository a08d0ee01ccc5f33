"""Microphones that were moved by 15 ms to 2 s, and pairs of which one side is inverted.

Run: ``python -m tests.bench.bench_moves [--half tuning|held-out] [--scenes N]``. Drops are made and
checked as a user would check them. Moves: generated kits of decaying noise with spill and a room
that answers, and, where they are present, pairs of the recorded field sessions; loops that repeat
to the sample must be told as not clear. Odd seeds are the held-out half. CPU is user plus system
time of this process, all jobs inline; only ratios mean anything.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from stemprep.app.check.inspect import inspected
from stemprep.app.check.microphones import with_lags
from stemprep.engine import InlineEngine
from stemprep.model.report import Report
from tests import signals
from tests.bench.bench_timing import scene

RATE_HZ = 48_000
SECONDS = 24.0
SHORTEST_S, LONGEST_S = 0.015, 1.95
TOLERANCE_SAMPLES = 2.0
SESSIONS = Path(__file__).parents[3] / "shared" / "sessions"
FIELD = (
    ("S01_tracking_clean", "13_Bass DI.wav", "14_Bass Amp.wav"),
    ("S01_tracking_clean", "17_Lead Gtr.wav", "18_Lead Gtr Far.wav"),
    ("S01_tracking_clean", "03_Snare Top.wav", "09_OH L.wav"),
    ("S01_tracking_clean", "06_Tom Hi.wav", "11_Room L.wav"),
    ("S01_tracking_clean", "01_Kick In.wav", "02_Kick Out.wav"),
    ("S01_tracking_clean", "15_Rhy Gtr A.wav", "16_Rhy Gtr B.wav"),
)
Sound = npt.NDArray[np.float64]


class Tally:
    """What became of the scenes, and what the comparison cost."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.errors: list[float] = []
        self.lag_s = self.rest_s = 0.0

    def check(self, folder: Path) -> Report:
        begin = time.process_time()
        with inspected(folder, "archive", engine=InlineEngine()) as found:
            whole = time.process_time() - begin
            begin = time.process_time()
            with_lags(found.measured, InlineEngine())
            lags = time.process_time() - begin
            report = found.report
        self.lag_s += lags
        self.rest_s += whole - lags
        return report


def moved(sound: Sound, samples: int) -> Sound:
    """Later (positive) at its old length; silence comes in, the other end is lost."""
    result = np.zeros_like(sound)
    if samples >= 0:
        result[samples:] = sound[: len(sound) - samples]
    else:
        result[:samples] = sound[-samples:]
    return result


def a_move(rng: np.random.Generator) -> int:
    size_s = float(np.exp(rng.uniform(np.log(SHORTEST_S), np.log(LONGEST_S))))
    return int(rng.choice([-1, 1])) * round(size_s * RATE_HZ)


def tell(tally: Tally, close: Sound, distant: Sound, names: tuple[str, str], truth: float) -> str:
    """Check a drop of two files; ``right``, ``wrong``, or ``not clear``."""
    with tempfile.TemporaryDirectory() as place:
        for name, sound in zip(names, (close, distant), strict=True):
            signals.write_wav(Path(place) / "Drop" / name, np.clip(sound, -0.999, 0.999)[None])
        report = tally.check(Path(place) / "Drop")
    pairs = [p for p in report.set_facts.mic_pairs if {p.file, p.reference} == set(names)]
    if not pairs:
        return "not clear"
    lag = pairs[0].lag_samples if pairs[0].file == names[1] else -pairs[0].lag_samples
    tally.errors.append(abs(lag - truth))
    return "right" if tally.errors[-1] <= TOLERANCE_SAMPLES else "wrong"


def generated(tally: Tally, seeds: range) -> None:
    """Kits of which the distant microphone was moved."""
    for seed in seeds:
        rng = np.random.default_rng(seed)
        truth, late = scene(seed, RATE_HZ, SECONDS), a_move(rng)
        outcome = tell(
            tally,
            truth.close,
            moved(truth.distant, late),
            ("Snare.wav", "Room.wav"),
            truth.lag_samples + late,
        )
        tally.counts[f"generated {outcome}"] += 1
        if outcome != "right":
            print(f"  seed {seed}, moved by {late}: {outcome}")


def recorded(tally: Tally, seeds: range) -> None:
    """Pairs of field sessions; their own lag is measured unmoved, on which keys agree."""
    for session, first, second in FIELD:
        if not (SESSIONS / session).is_dir():
            print("no field sessions at hand")
            return
        close, distant = (
            soundfile.read(SESSIONS / session / name, dtype="float64")[0]
            for name in (first, second)
        )
        for seed in seeds:
            late = a_move(np.random.default_rng(seed))
            natural = NATURAL[second]
            outcome = tell(tally, close, moved(distant, late), (first, second), natural + late)
            tally.counts[f"field {second} {outcome}"] += 1


NATURAL = {
    "14_Bass Amp.wav": 43.7,
    "18_Lead Gtr Far.wav": 311.4,
    "09_OH L.wav": 168.0,
    "11_Room L.wav": 673.8,
    "02_Kick Out.wav": 60.0,
    "16_Rhy Gtr B.wav": 38.7,
}


def loops(tally: Tally, seeds: range) -> None:
    """Steady patterns that repeat to the sample, moved by parts and wholes of a turn."""
    for seed in seeds:
        rng = np.random.default_rng(seed)
        turn = round(rng.uniform(0.2, 0.9) * RATE_HZ)
        hits = int(rng.integers(1, 4))
        one = np.concatenate(
            [
                signals.pluck(peak_dbfs=-9, seconds=turn / hits / RATE_HZ, seed=seed + hit)[0]
                for hit in range(hits)
            ]
        )
        frames = round(SECONDS * RATE_HZ)
        loop = np.tile(one, frames // len(one) + 6)
        begin, late = 2 * len(one), a_move(rng) % len(one)
        outcome = tell(
            tally,
            loop[begin : begin + frames],
            0.5 * loop[begin - late : begin - late + frames],
            ("Kick In.wav", "Kick Out.wav"),
            float("nan"),
        )
        tally.counts[f"loop {'not clear' if outcome == 'not clear' else 'told'}"] += 1


def main() -> None:
    """Print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--half", choices=("tuning", "held-out"), default="held-out")
    parser.add_argument("--scenes", type=int, default=100)
    wanted = parser.parse_args(sys.argv[1:])
    first = 7_000 + (wanted.half == "held-out")
    seeds = range(first, first + 2 * wanted.scenes, 2)
    tally = Tally()
    generated(tally, seeds)
    recorded(tally, seeds[: max(wanted.scenes // 8, 1)])
    loops(tally, seeds[: max(wanted.scenes // 4, 1)])
    for what, count in sorted(tally.counts.items()):
        print(f"{what}: {count}")
    known = [error for error in tally.errors if error <= TOLERANCE_SAMPLES]
    print(f"largest error of the right ones {max(known, default=0.0):.2f} samples")
    print(f"CPU of comparing microphones {tally.lag_s / tally.rest_s:.2f} of the rest of a check")


if __name__ == "__main__":
    main()
