"""How much of what went through a codec is told, and what it costs; ffmpeg makes the material.

    python -m tests.bench.bench_codecs FOLDER [--half odd] [--gain DB] [--mix DB] [--to-rate HZ]

FOLDER: clean recordings; the first 8 s of each are coded and decoded again, to 24 bits (even ones)
or 16. --gain: a level afterwards; --mix: clean sound of another file added at this level against
it; --to-rate: converted afterwards. Told of coded, by codec and rate; how many clean ones are told.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
import soundfile
import soxr

from stemprep.dsp.cells import Reblocker
from stemprep.measure.codec_traces import CodecTraces
from stemprep.model.facts import CodecTraceFacts
from tests.signals import Planar

SECONDS = 8
CODECS = (
    ("clean", ".wav", ()),
    *((f"MP3 {rate}", ".mp3", ("-c:a", "libmp3lame", "-b:a", f"{rate}k"))
      for rate in (128, 192, 256, 320)),
    *((f"AAC {rate}", ".m4a", ("-c:a", "aac", "-b:a", f"{rate}k")) for rate in (128, 192, 256)),
    *((f"Vorbis q{level}", ".ogg", ("-c:a", "libvorbis", "-q:a", str(level))) for level in (5, 8)),
    *((f"Opus {rate}", ".opus", ("-c:a", "libopus", "-b:a", f"{rate}k")) for rate in (128, 192)),
)  # fmt: skip


def through(source: Path, ending: str, options: tuple[str, ...], rate_hz: int) -> Planar:
    """The sound after a codec, planar."""
    if not options:
        return soundfile.read(source, always_2d=True)[0].T
    coded, decoded = source.with_suffix(ending), source.with_name("decoded.wav")
    ffmpeg = ("ffmpeg", "-v", "error", "-y", "-i")
    subprocess.run([*ffmpeg, source, *options, coded], check=True)
    linear = ("-ar", str(rate_hz), "-c:a", "pcm_f32le")
    subprocess.run([*ffmpeg, coded, *linear, decoded], check=True)
    return soundfile.read(decoded, always_2d=True)[0].T


def trace_of(samples: Planar, rate_hz: int, bits: int) -> CodecTraceFacts | None:
    """What the measuring pass would tell of words of this length."""
    step = 2.0 ** (1 - bits)
    words = (np.rint(samples / step) * step).astype(np.float32)
    traces, chunks = CodecTraces(rate_hz), Reblocker()
    for chunk in chunks.push(words):
        traces.add(chunk)
    for chunk in chunks.flush():
        traces.add(chunk)
    return traces.facts(step)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--half", choices=("even", "odd", "all"), default="all")
    parser.add_argument("--gain", type=float, default=0.0)
    parser.add_argument("--mix", type=float)
    parser.add_argument("--to-rate", type=int)
    chosen = parser.parse_args()
    told: dict[str, list[str | None]] = defaultdict(list)
    spent: dict[str, float] = defaultdict(float)
    paths = sorted(chosen.folder.rglob("*.wav"))
    halves = {"even": slice(0, None, 2), "odd": slice(1, None, 2), "all": slice(None)}
    other: Planar | None = None
    with tempfile.TemporaryDirectory() as scratch:
        for number, path in enumerate(paths[halves[chosen.half]]):
            samples, rate_hz = soundfile.read(path, always_2d=True, frames=SECONDS * 48_000)
            if np.abs(samples).max() < 0.003:
                continue
            source = Path(scratch) / "clean.wav"
            soundfile.write(source, np.clip(samples, -1, 1), rate_hz, "PCM_24")
            for name, ending, options in CODECS:
                sound = through(source, ending, options, rate_hz) * 10 ** (chosen.gain / 20)
                if chosen.mix is not None and other is not None:
                    length = min(sound.shape[1], other.shape[1])
                    added = other[:1, :length]
                    level = np.sqrt(np.mean(sound**2) / np.mean(added**2)) * 10 ** (chosen.mix / 20)
                    sound = sound[:, :length] + level * added
                rate = chosen.to_rate or rate_hz
                if rate != rate_hz:
                    sound = soxr.resample(sound.T, rate_hz, rate, "VHQ").T
                start = time.process_time()
                trace = trace_of(sound, rate, 16 if number % 2 else 24)
                spent[name] += time.process_time() - start
                told[name].append(None if trace is None else trace.family)
            other = samples.T
    for name, families in told.items():
        found = [family for family in families if family]
        named = sum(name.startswith(family) for family in found)
        cost_ms = 1000 * spent[name] / len(families)
        print(f"{name:12} told {len(found):3} of {len(families):3}, family right {named:3}, "
              f"{cost_ms:.0f} ms a file")  # fmt: skip


if __name__ == "__main__":
    main()
