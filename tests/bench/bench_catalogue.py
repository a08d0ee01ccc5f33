"""CPU of measuring and judging by the whole catalogue, against the measuring pass alone.

    python -m tests.bench.bench_catalogue [--runs N] [--seconds S] [FOLDER ...]

Three figures of the same files in the same process, taking turns on each file, best of several
runs each:
- levels alone: reading, hashes, levels, loudness, true peak, clipping, silence, stereo, word; what
  looks for holes, repeats, clicks, edges, noise, hum, the end of the spectrum and how two sides
  relate over time is left out;
- the measuring pass: all facts;
- the catalogue: all facts, and every check of the base spec on them.
FOLDER: recorded files to take instead of generated ones. User and system time of this process;
only the ratios mean anything.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: one worker, one thread

import argparse
import hashlib
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from unittest import mock

import numpy as np

from stemprep.checks import judge
from stemprep.dsp.cells import Chunk
from stemprep.measure import bandwidth, hum, meter, noise_floor, stereo, transients
from stemprep.model.facts import BandwidthFacts, FileFacts, TransientFacts
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import MeasuredFile
from stemprep.spec import load_spec
from stemprep.work.measure import MeasureJob, measure_file
from tests import signals
from tests.bench.clean_sound import originals
from tests.checks.factory import measured_file, session

FILES = 6
LIMIT = 1.4


class _NoSearch:
    """Stands in for a search; takes chunks and finds nothing."""

    def __init__(self, *_: object) -> None: ...

    def add(self, chunk: Chunk) -> None: ...


class _NoTransients(_NoSearch):
    def facts(self) -> TransientFacts:
        return TransientFacts()


class _NoBandwidth(_NoSearch):
    def facts(self) -> BandwidthFacts:
        return BandwidthFacts()


class _NoNoiseFloor(_NoSearch):
    def pauses(self) -> tuple[None, ...]:
        return (None,)


class _NoHum(_NoSearch):
    def facts(self) -> None:
        return None


class _NoOverTime(_NoSearch):
    def add(self, *_: object, is_opposed: bool) -> None: ...

    def share_below(self, correlation: float) -> None:
        return None

    def lasting(self) -> None:
        return None


@contextmanager
def without_searches() -> Iterator[None]:
    """Levels alone: each search replaced by one that does nothing."""
    with (
        mock.patch.object(meter, transients.Transients.__name__, _NoTransients),
        mock.patch.object(meter, bandwidth.Bandwidth.__name__, _NoBandwidth),
        mock.patch.object(meter, noise_floor.NoiseFloor.__name__, _NoNoiseFloor),
        mock.patch.object(meter, hum.Hum.__name__, _NoHum),
        mock.patch.object(stereo, stereo.OverTime.__name__, _NoOverTime),
    ):
        yield


def make_files(folder: Path, seconds: float) -> None:
    """Plucks over hiss, mono and stereo by turns, and a drum kit: sharp sound is searched most."""
    frames = round(seconds * 48_000)
    for index in range(FILES):
        generator = np.random.default_rng(index)
        sound = generator.normal(0, 1e-4, (1 + index % 2, frames))
        for onset in generator.integers(0, frames - 96_000, round(seconds)):
            note = signals.pluck(peak_dbfs=-18, seconds=2, channels=len(sound), seed=int(onset))
            sound[:, onset : onset + note.shape[1]] += note
        signals.write_wav(folder / f"{index} plucks.wav", np.clip(sound, -0.99, 0.99))
    for piece in originals():
        if piece.name.startswith("song/") and piece.rate_hz == 48_000:
            kit = np.resize(piece.samples, (len(piece.samples), frames))
            name = hashlib.sha256(piece.name.encode()).hexdigest()[:8]
            signals.write_wav(folder / f"{name} song.wav", np.clip(kit, -0.99, 0.99))


def facts_of(paths: Sequence[Path], spec: DeliverySpec) -> list[FileFacts]:
    """Measure each file as a check does."""
    return [
        measure_file(
            MeasureJob(
                root=str(path.parent),
                raw_path=os.fsencode(path.name),
                name=path.name,
                settings=spec.measure,
            )
        )
        for path in paths
    ]


def judged(paths: Sequence[Path], spec: DeliverySpec) -> list[FileFacts]:
    """Measure each file and run every check."""
    facts = facts_of(paths, spec)
    files = [
        MeasuredFile(source=measured_file(f"{number} {path.name}").source, facts=fact)
        for number, (path, fact) in enumerate(zip(paths, facts, strict=True))
    ]
    judge(session(*files), spec)
    return facts


def cpu_seconds(work: Callable[[], object]) -> float:
    """User and system time of this process, to the nanosecond: the system counts in hundredths."""
    before = time.process_time()
    work()
    return time.process_time() - before


def levels_alone(paths: Sequence[Path], spec: DeliverySpec) -> None:
    """The pass without searches."""
    with without_searches():
        facts_of(paths, spec)


def _best(
    works: dict[str, Callable[[Sequence[Path], DeliverySpec], object]],
    paths: Sequence[Path],
    spec: DeliverySpec,
    runs: int,
) -> Iterator[tuple[str, list[float]]]:
    """Seconds of each file by each work, best of ``runs``; the works take turns on every file."""
    figures = {word: [float("inf")] * len(paths) for word in works}
    for _ in range(runs):
        for at, path in enumerate(paths):
            for word, work in works.items():
                seconds = cpu_seconds(partial(work, [path], spec))
                figures[word][at] = min(figures[word][at], seconds)
    yield from figures.items()


def main() -> None:
    """Print the figures, the ratios and the share of cells that were searched."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("folders", nargs="*", type=Path)
    options = parser.parse_args()
    spec = load_spec("base")
    with tempfile.TemporaryDirectory() as name:
        if not options.folders:
            make_files(Path(name), options.seconds)
        folders = options.folders or [Path(name)]
        paths = sorted(path for folder in folders for path in folder.rglob("*.wav"))
        facts = judged(paths, spec)
        works: dict[str, Callable[[Sequence[Path], DeliverySpec], object]] = {
            "levels alone": levels_alone,
            "the measuring pass": facts_of,
            "the catalogue": judged,
        }
        best = {word: sum(figures) for word, figures in _best(works, paths, spec, options.runs)}
    for word, seconds in best.items():
        ratios = ", ".join(f"{seconds / other:.2f} of {name}" for name, other in best.items())
        print(f"{word:20} {seconds:6.2f} s CPU   {ratios}")
    shares = [fact.sound.transients.searched_share for fact in facts if fact.sound is not None]
    print(f"{len(paths)} files; cells of 32 samples searched closely for clicks: ", end="")
    print(f"{100 * float(np.mean(shares)):.4f} % on average, {100 * max(shares):.4f} % at most")
    ratio = best["the catalogue"] / best["levels alone"]
    print(f"{ratio:.2f} times the levels alone; at most {LIMIT} wanted")
    raise SystemExit(ratio > LIMIT)


if __name__ == "__main__":
    main()
