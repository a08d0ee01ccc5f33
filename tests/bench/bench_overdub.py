"""CPU of a complete overdub package against the CPU of the check of the same session.

Run: ``python -m tests.bench.bench_overdub`` (3 GB of disk). 24 tracks of 4 minutes, 48 kHz, 24 bit,
half mono, half stereo, with a sheet that gives levels, bar 1 and a tempo map; the package holds all
that the overdub spec asks for but MP3s, which are left out of the measure. Times are user plus
system CPU of all children; only the ratio means anything. Memory is that of the largest process.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np
import yaml

from stemprep.spec import spec_source
from tests import signals
from tests.bench.bench_check import adopt_orphans, cpu_seconds, peak_memory_mb

TRACKS = (
    "Kick In", "Overheads", "Snare Top", "Room", "Tom 1", "Percussion", "Bass Amp", "Bass Synth",
    "Gtr 1", "Gtr 2", "Gtr 3", "Gtr 4", "Piano", "Organ", "Pad", "Strings", "Cello", "Horns",
    "Lead Vox", "Lead Vox Verb", "Double Vox", "Choir", "Shaker", "Loops",
)  # fmt: skip
RATE_HZ = 48_000


def make_session(folder: Path, minutes: float) -> None:
    """Plucks and a hiss floor in every track, and a sheet."""
    folder.mkdir()
    frames = round(minutes * 60 * RATE_HZ)
    for index, name in enumerate(TRACKS):
        channels = 1 + index % 2
        generator = np.random.default_rng(index)
        sound = generator.normal(0, 1e-4, (channels, frames))
        for onset in generator.integers(RATE_HZ, frames - 3 * RATE_HZ, round(60 * minutes)):
            note = signals.pluck(peak_dbfs=-12, seconds=2, channels=channels, seed=int(onset))
            sound[:, onset : onset + note.shape[1]] += 0.5 * note
        signals.write_wav(folder / f"{name}.wav", np.clip(sound, -0.99, 0.99))
    song = {
        "title": "Slow Ferry Home",
        "bar_1": {"samples": 0},
        "count_in_bars": 1,
        "tempo_map": [{"bar": 1, "tempo_bpm": 92, "meter": "4/4"}],
    }
    tracks = [
        {"file": f"{name}.wav", "level_db": -6.0, "pan": float(index * 5 - 60)}
        for index, name in enumerate(TRACKS)
    ]
    sheet = {"title": "Slow Ferry Home", "songs": [song], "tracks": tracks}
    (folder / "session.yaml").write_text(yaml.safe_dump(sheet))


def write_spec(path: Path) -> int:
    """The overdub spec without MP3s; returns how many kinds of companions it asks for."""
    kinds = yaml.safe_load(spec_source("overdub"))["contents"]["companions"]
    kept = [kind for kind in kinds if kind != "listening-copies"]
    path.write_text(
        yaml.safe_dump(
            {
                "title": "Overdub without MP3s",
                "purpose": "what is measured",
                "extends": "overdub",
                "contents": {"companions": kept},
            }
        )
    )
    return len(kept)


def main() -> None:
    """Print CPU of check and deliver and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=4.0)
    parser.add_argument("--memory", action="store_true", help="measure memory as well")
    options = parser.parse_args()
    adopt_orphans()
    stemprep = [sys.executable, "-m", "stemprep"]
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        drop, out, spec = place / "session", place / "out", place / "room.yaml"
        make_session(drop, options.minutes)
        kinds = write_spec(spec)
        deliver = [*stemprep, "deliver", str(drop), "--spec", str(spec), "--to", str(out)]
        check = cpu_seconds([*stemprep, "check", str(drop), "--spec", str(spec)], place)
        cost = cpu_seconds(deliver, place)
        made = sorted(path for path in out.rglob("*") if path.is_file())
        print(f"check     {check:.2f} s CPU")
        print(f"deliver   {cost:.2f} s CPU, {len(made)} files, {kinds} kinds of companions")
        print(f"ratio     {cost / check:.2f}")
        if options.memory:
            shutil.rmtree(out)
            print(f"memory    {peak_memory_mb(deliver):.0f} MB, the largest process")


if __name__ == "__main__":
    main()
