"""Bytes appended, removed or flipped in files of every container: facts, never a crash.

Run: ``python -m tests.bench.bench_mutations [--count N] [--seed S]``. Each file is measured as
a check measures it. Counted are files with sound, files with a fault of severity fail, and what
must not be: exceptions. Prints the largest memory of the process and the longest time of one file.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

import numpy as np
import soundfile

from stemprep.model.facts import FileFacts
from stemprep.work.measure import MeasureJob, measure_file
from tests import signals
from tests.shipped import measure_settings

KINDS = {
    "take.wav": ("WAV", "PCM_24"),
    "float.wav": ("WAV", "FLOAT"),
    "long.rf64": ("RF64", "PCM_24"),
    "long.w64": ("W64", "PCM_16"),
    "mac.aiff": ("AIFF", "PCM_24"),
    "core.caf": ("CAF", "PCM_24"),
    "packed.flac": ("FLAC", "PCM_24"),
    "lossy.ogg": ("OGG", "VORBIS"),
    "lossy.mp3": ("MP3", "MPEG_LAYER_III"),
}
HEAD_BYTES = 128


def valid_files(folder: Path) -> dict[str, bytes]:
    """One small file a container, by the reference library."""
    sound = signals.pluck(peak_dbfs=-6, seconds=0.3, channels=2)
    files = {}
    for name, (container, subtype) in KINDS.items():
        path = folder / name
        soundfile.write(path, sound.T, 48_000, format=container, subtype=subtype)
        files[name] = path.read_bytes()
    return files


def mutated(content: bytes, generator: np.random.Generator) -> bytes:
    """One to four changes, half of them in the head, where the structure stands."""
    changed = bytearray(content)
    for _ in range(generator.integers(1, 5)):
        top = HEAD_BYTES if generator.random() < 0.5 else len(changed)
        at = int(generator.integers(0, max(1, min(top, len(changed)))))
        kind = generator.integers(0, 4)
        length = int(generator.integers(1, 400))
        if kind == 0:
            changed[at:at] = generator.bytes(length)
        elif kind == 1:
            del changed[at : at + length]
        elif kind == 2 and changed:
            changed[min(at, len(changed) - 1)] ^= 1 << int(generator.integers(0, 8))
        else:
            changed = (
                changed[:at] if generator.random() < 0.2 else changed + generator.bytes(length)
            )
    return bytes(changed)


def outcome(facts: FileFacts) -> str:
    """What a check would make of it."""
    if any(fault.severity == "fail" for fault in facts.header.faults):
        return "told as broken"
    return "measured" if facts.sound is not None else "without sound, unexplained"


def main() -> None:
    """Print the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    generator = np.random.default_rng(options.seed)
    outcomes: Counter[str] = Counter()
    longest = 0.0
    with tempfile.TemporaryDirectory() as name:
        files = valid_files(Path(name))
        for number in range(options.count):
            kind = list(files)[number % len(files)]
            (Path(name) / kind).write_bytes(mutated(files[kind], generator))
            job = MeasureJob(
                root=name, raw_path=os.fsencode(kind), name=kind, settings=measure_settings()
            )
            begun = time.perf_counter()
            try:
                outcomes[outcome(measure_file(job))] += 1
            except Exception:
                outcomes["exception"] += 1
                traceback.print_exc()
            longest = max(longest, time.perf_counter() - begun)
    for word, count in outcomes.most_common():
        print(f"{count:6d} {word}")
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{options.count} mutations, {peak_mb:.0f} MB at most, {longest:.2f} s for the slowest")


if __name__ == "__main__":
    main()
