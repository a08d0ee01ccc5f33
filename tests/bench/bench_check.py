"""CPU of ``stemprep check`` against a shell loop over general-purpose tools, memory, start-up.

Run: ``python -m tests.bench.bench_check`` (needs ffmpeg and sha256sum on the PATH, 600 MB of disk).
Times are user plus system CPU of all children, best of several interleaved runs; only the ratios
mean anything. Memory is the resident high-water mark of the largest process (VmHWM, proc(5)).
"""

from __future__ import annotations

import argparse
import ctypes
import os
import resource
import shlex
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np
import soundfile

from tests import signals

_PR_SET_CHILD_SUBREAPER = 36
FILES = 24
SECONDS = 60
SHELL_LOOP = (
    'for f in *.wav; do ffmpeg -nostats -hide_banner -i "$f" -af ebur128=peak=true -f null - '
    '>/dev/null 2>&1; ffmpeg -nostats -hide_banner -i "$f" -af astats,silencedetect -f null - '
    '>/dev/null 2>&1; sha256sum "$f" >/dev/null; done'
)


def make_session(folder: Path) -> None:
    """24 files of 60 s, 48 kHz, 24 bit, half mono, half stereo: plucks and a hiss floor."""
    for index in range(FILES):
        channels = 1 + index % 2
        generator = np.random.default_rng(index)
        sound = np.zeros((channels, SECONDS * 48_000))
        for onset in generator.integers(0, (SECONDS - 3) * 48_000, 60):
            note = signals.pluck(peak_dbfs=-12, seconds=2, channels=channels, seed=int(onset))
            sound[:, onset : onset + note.shape[1]] += 0.5 * note
        sound += generator.normal(0, 1e-4, sound.shape)
        signals.write_wav(folder / f"{index:02d} track.wav", np.clip(sound, -0.99, 0.99))


def adopt_orphans() -> None:
    """Become the parent of what commands leave behind: a fork server's time counts too (Linux)."""
    ctypes.CDLL(None).prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def cpu_seconds(command: Sequence[str], folder: Path) -> float:
    """User and system time of a command and all its children, also of those that outlive it."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, cwd=folder, check=False, stdout=subprocess.DEVNULL)
    with suppress(ChildProcessError):
        while True:
            os.wait()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime - before.ru_utime) + (after.ru_stime - before.ru_stime)


def best(commands: dict[str, Sequence[str]], folder: Path, runs: int) -> dict[str, float]:
    """Best of several runs, the commands taking turns."""
    figures = {name: float("inf") for name in commands}
    for _ in range(runs):
        for name, command in commands.items():
            figures[name] = min(figures[name], cpu_seconds(command, folder))
    return figures


def make_long_file(path: Path, minutes: int) -> None:
    """One stereo file of 48 kHz, 24 bit; the same minute over and over, written block by block."""
    sound = signals.noise(peak_dbfs=-30, seconds=SECONDS, channels=2, seed=5)
    for second in range(0, SECONDS - 2, 2):
        note = signals.pluck(peak_dbfs=-9, seconds=2, channels=2, seed=second)
        sound[:, second * 48_000 : second * 48_000 + note.shape[1]] += note
    path.parent.mkdir()
    with soundfile.SoundFile(path, "x", 48_000, 2, subtype="PCM_24") as file:
        for _ in range(minutes):
            file.write(sound.T)


def peak_memory_mb(command: Sequence[str]) -> float:
    """Largest resident memory of any one process of a command, MB of 1,000,000 bytes."""
    highest = 0
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as run:
        while run.poll() is None:
            highest = max(highest, *map(_high_water_bytes, _family(run.pid)))
            time.sleep(0.005)
    return highest / 1e6


def _family(process: int) -> list[int]:
    """A process and all its descendants."""
    children = ""
    with suppress(OSError):
        children = Path(f"/proc/{process}/task/{process}/children").read_text()
    return [process, *(pid for child in children.split() for pid in _family(int(child)))]


def _high_water_bytes(process: int) -> int:
    with suppress(OSError):
        for line in Path(f"/proc/{process}/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024
    return 0


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=3)
    runs = parser.parse_args().runs
    adopt_orphans()
    stemprep = [sys.executable, "-m", "stemprep"]
    environment = {k: v for k, v in os.environ.items() if not k.startswith("OPENBLAS_")}
    os.environ.clear()
    os.environ.update(environment)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "session"
        folder.mkdir()
        make_session(folder)
        commands: dict[str, Sequence[str]] = {
            "check": [*stemprep, "check", str(folder), "--json", "-"],
            "loop": ["sh", "-c", SHELL_LOOP],
        }
        figures = best(commands, folder, runs)
        print(f"check --json   {figures['check']:.2f} s CPU")
        print(f"shell loop     {figures['loop']:.2f} s CPU   ({shlex.quote(SHELL_LOOP)})")
        print(f"ratio          {figures['loop'] / figures['check']:.2f}")
        for minutes in (1, 30):
            long_file = Path(name) / f"{minutes} minutes" / "take.wav"
            make_long_file(long_file, minutes)
            peak_mb = peak_memory_mb([*stemprep, "check", str(long_file.parent), "--json", "-"])
            long_file.unlink()
            print(
                f"memory         {peak_mb:.0f} MB for a file of {minutes} min, the largest process"
            )
        starts = best(
            {"help": [*stemprep, "--help"], "bare": [sys.executable, "-c", "pass"]},
            Path(name),
            5 * runs,
        )
        print(f"--help against a bare interpreter: {starts['help'] / starts['bare']:.2f} times")


if __name__ == "__main__":
    main()
