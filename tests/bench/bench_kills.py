"""Kill the service 2,000 times over a run of 20 drops, and look after each kill.

Run: ``python -m tests.bench.bench_kills [--kills N] [--drops N] [--seed S]``. Each service is
forked from this warm process and killed (SIGKILL) after a random time, up to what two deliveries
take. After every kill all that is visible in the destination is proved whole and the originals are
compared. When the drops are worked off, one file of each is exchanged, which makes each the next
delivery, so that there is something to kill until the end. Counted are what must not be: drops
lost, delivered twice, packages that are not whole, originals that changed, staging left behind.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from stemprep.package import verify_package
from tests import signals
from tests.service.dying import run_and_kill
from tests.service.studio import NAMES, Studio, digests, hurry


class Run:
    """One inbox, killed again and again."""

    def __init__(self, root: Path, drops: int, seed: int) -> None:
        self.studio = Studio.built(root)
        self.studio.config = replace(
            self.studio.config, retries=replace(self.studio.config.retries, first_wait_s=0.0)
        )
        self.generator = random.Random(seed)
        self.names = [f"Reel-{number:02d}" for number in range(drops)]
        self.rounds = 1
        self.faults: Counter[str] = Counter()
        self.proved: set[str] = set()
        for number, name in enumerate(self.names):
            self.studio.drop(name, seconds=0.02, seed=number + 1)
        self.originals = digests(self.studio.inbox)

    def kill_once(self, longest_s: float) -> bool:
        """Start, kill, look; True where the service was worked off before it could be killed."""
        is_done = run_and_kill(self.studio, self.generator.uniform(0.0, longest_s))
        self.look()
        return is_done

    def look(self) -> None:
        """Count what must not be."""
        for name in self.studio.packages():
            if name not in self.proved:
                proof = verify_package(self.studio.out / name)
                self.faults["package not whole"] += not (proof.is_whole and proof.is_complete)
                self.proved.add(name)
        self.faults["package of nothing"] += len(self.proved - self.expected())
        found = digests(self.studio.inbox)
        changed = sum(found.get(path) != told for path, told in self.originals.items())
        self.faults["original changed"] += changed

    def expected(self) -> set[str]:
        """Names of all packages that this round may lead to."""
        numbers = range(1, self.rounds + 1)
        return {f"{name}_mastering_{number:02d}" for name in self.names for number in numbers}

    def end_round(self) -> None:
        """Let the service finish; then each state of each drop was delivered, once."""
        self.studio.run()
        self.look()
        visible = set(self.studio.packages())
        delivered = Counter(job.package for job in self.studio.jobs() if job.state == "delivered")
        self.faults["lost"] += len(self.expected() - visible)
        self.faults["delivered twice"] += sum(count > 1 for count in delivered.values())
        self.faults["delivered twice"] += len(visible - self.expected())
        self.faults["staging left"] += len(self.studio.staging())

    def begin_round(self) -> None:
        """Exchange one file of each drop."""
        self.rounds += 1
        for number, name in enumerate(self.names):
            seed = 1000 * self.rounds + number
            sound = signals.pluck(peak_dbfs=-6, seconds=0.02, seed=seed)
            signals.write_wav(self.studio.inbox / name / f"{NAMES[0]}.wav", sound)
        self.originals = {
            path: told
            for path, told in digests(self.studio.inbox).items()
            if path.split("/")[0] in self.names
        }


def time_of_one(folder: Path) -> float:
    """Seconds that a service takes for one drop, the second time."""
    for _ in range(2):
        studio = Studio.built(folder / str(time.monotonic_ns()))
        studio.drop("Warm", seconds=0.02)
        begun_s = time.monotonic()
        studio.run()
    return time.monotonic() - begun_s


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=2000)
    parser.add_argument("--drops", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patched:
        hurry(patched)
        longest_s = 2 * time_of_one(Path(folder))
        run = Run(Path(folder) / "run", wanted.drops, wanted.seed)
        kills, begun_s = 0, time.monotonic()
        while kills < wanted.kills:
            if not run.kill_once(longest_s):
                kills += 1
                continue
            run.end_round()
            run.begin_round()
        run.end_round()
        jobs = run.studio.jobs()
        states = Counter(job.state for job in jobs)
        print(f"{kills} kills over {wanted.drops} drops in {run.rounds} rounds, ", end="")
        print(f"{time.monotonic() - begun_s:.0f} s, each within {longest_s:.2f} s of the start")
        print(f"interrupted while worked on: {sum(job.interruptions for job in jobs)} times")
        print(f"jobs: {dict(states)}; packages visible and whole: {len(run.studio.packages())}")
        for fault in (
            "lost", "delivered twice", "package not whole", "package of nothing",
            "original changed", "staging left",
        ):  # fmt: skip
            print(f"{fault}: {run.faults[fault]}")


if __name__ == "__main__":
    main()
