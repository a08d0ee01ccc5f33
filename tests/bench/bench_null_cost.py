"""What a null test costs: CPU relative to the pass that measures every file, and memory.

Run: ``python -m tests.bench.bench_null_cost --seconds 240``. Generated stems are looped, so that
the set itself needs no memory. Each case runs in a process of its own.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from stemprep.null_test import SumSet, null_test, set_of_arrays
from stemprep.null_test.parts import Stored
from tests.bench.bench_measure import microseconds
from tests.null_test.faults import shifted
from tests.null_test.material import quantised, total
from tests.null_test.music import Planar, music

RATE_HZ = 48_000
STEMS = 24
LOOP_S = 10
CASES = ("nulls", "level", "subsample", "two", "hole", "saturated")


class LoopStream:
    """A stream that repeats an array of shape (channels, frames) for so many frames."""

    def __init__(self, samples: Stored, frames: int) -> None:
        self._samples, self._frames = samples, frames

    def take(self, start: int, end: int) -> Stored:
        """Samples [start, end), zeros outside."""
        low, high = max(start, 0), min(end, self._frames)
        inside = np.arange(low, max(high, low)) % self._samples.shape[1]
        taken = np.zeros((len(self._samples), end - start), self._samples.dtype)
        taken[:, low - start : low - start + len(inside)] = self._samples[:, inside]
        return taken


def looped(mix: Planar, stems: Sequence[Planar], frames: int) -> SumSet:
    """The set repeated to a length; 24 bit."""
    short = set_of_arrays(
        mix.astype(np.float32), [stem.astype(np.float32) for stem in stems], RATE_HZ, 2.0**-23
    )
    held = [mix.astype(np.float32), *(stem.astype(np.float32) for stem in stems)]

    @contextmanager
    def opened() -> Iterator[Sequence[LoopStream]]:
        yield [LoopStream(samples, frames) for samples in held]

    return SumSet(
        mix=replace(short.mix, frames=frames),
        stems=tuple(replace(stem, frames=frames) for stem in short.stems),
        rate_hz=RATE_HZ,
        open=opened,
    )


def case(what: str, seconds: int) -> tuple[str, float, float, str]:
    """Name, CPU seconds, memory that the test took in MB, and what was told."""
    generator = np.random.default_rng(5)
    made = [music(generator, LOOP_S * RATE_HZ, RATE_HZ) for _ in range(STEMS)]
    stereo = [np.broadcast_to(stem, (2, stem.shape[1])) for stem in made]
    stereo = [stem * 0.5 / np.abs(total(stereo)).max() for stem in stereo]
    mix, stems = total(stereo), list(stereo)
    if what == "saturated":
        mix = np.tanh(2 * mix) / 2
    if what in ("level", "two"):
        stems[7] = stems[7] * 10 ** (0.5 / 20)
    if what == "two":
        stems[12] = -stems[12]
    if what == "subsample":
        frames = stems[7].shape[1]
        round_and_round = np.tile(stems[7], (1, 3))
        stems[7] = shifted(round_and_round, 3.3, generator)[:, frames : 2 * frames]
    if what == "hole":
        stems[7] = stems[7].copy()
        stems[7][:, 100_000:150_000] = 0.0
    rounded = [quantised(stem, 24, generator, dithered=True) for stem in (mix, *stems)]
    parts = looped(rounded[0], rounded[1:], seconds * RATE_HZ)
    before_mb = _memory_mb("VmRSS")
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")  # the peak from here on
    began = time.process_time()
    outcome = null_test(parts)
    spent = time.process_time() - began
    peak_mb = _memory_mb("VmHWM") - before_mb
    told = "; ".join(f"{cause.kind} {cause.file or ''}" for cause in outcome.causes)
    return what, spent, peak_mb, told or outcome.verdict


def _memory_mb(field: str) -> float:
    """A figure of this process as Linux gives it."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return float(next(line.split()[1] for line in lines if line.startswith(field))) / 1024


def main() -> None:
    """Print one line a case."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=240)
    parser.add_argument("--only", default=",".join(CASES))
    arguments = parser.parse_args()
    measuring = microseconds(30.0, 2, 24) * 1e-6 * STEMS * arguments.seconds
    print(f"measuring {STEMS} stereo files of {arguments.seconds} s: {measuring:.1f} s of CPU")
    for what in arguments.only.split(","):
        with ProcessPoolExecutor(1) as pool:
            name, spent, peak_mb, told = pool.submit(case, what, arguments.seconds).result()
        print(
            f"{name:10} {spent:6.1f} s, {spent / measuring:.2f} of it; {peak_mb:.0f} MB; {told}",
            flush=True,
        )


if __name__ == "__main__":
    main()
