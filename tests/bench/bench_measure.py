"""CPU time of the meter per second of 48 kHz / 24 bit stereo, and the memory of the process.

    python -m tests.bench.bench_measure [SECONDS ...]

Not collected by pytest: figures depend on the machine. Decoding and the file's own hash are
not part of it; the audio hash is.
"""

from __future__ import annotations

import os

from tests.shipped import measure_settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: one worker, one thread

import hashlib
import resource
import sys
import time

import numpy as np

from stemprep.dsp.block import SoundBlock
from stemprep.measure import SoundMeter
from tests import signals
from tests.measure.feed import block_of, wav_format

BLOCK_FRAMES = 65_536
RATE_HZ = 48_000
LOOP_BLOCKS = 8


def _loop(channels: int, bits: int | None) -> list[SoundBlock]:
    """Some seconds of decaying tones over noise, in blocks."""
    seconds = LOOP_BLOCKS * BLOCK_FRAMES / RATE_HZ
    tone = np.tile(signals.pluck(peak_dbfs=-3, seconds=seconds / 8), (channels, 8))
    frames = LOOP_BLOCKS * BLOCK_FRAMES
    floor = signals.noise(peak_dbfs=-30, seconds=seconds, channels=channels)
    sound = np.pad(tone, ((0, 0), (0, 99)))[:, :frames] + floor[:, :frames]
    blocks = (sound[:, at : at + BLOCK_FRAMES] for at in range(0, frames, BLOCK_FRAMES))
    return [block_of(block, bits) for block in blocks]


def microseconds(seconds: float, channels: int, bits: int | None) -> float:
    """CPU per second of stereo, microseconds."""
    blocks = _loop(channels, bits)
    meter = SoundMeter(wav_format(channels=channels, bits=bits), measure_settings())
    turns = max(1, round(seconds * RATE_HZ / BLOCK_FRAMES))
    started = time.process_time()
    for turn in range(turns):
        meter.add(blocks[turn % LOOP_BLOCKS])
    meter.finish()
    spent = time.process_time() - started
    return spent / (turns * BLOCK_FRAMES * channels / (2 * RATE_HZ)) * 1e6


def hash_microseconds() -> float:
    """The same unit for sha256 alone over 32-bit words: what the machine gives."""
    words = bytes(8 * RATE_HZ * 10)
    started = time.process_time()
    hashlib.sha256(words)
    return (time.process_time() - started) / 10 * 1e6


def main() -> None:
    """Print one line per length and format."""
    print(f"sha256 of int32 words alone      {hash_microseconds():6.0f} us/s")
    for seconds in [float(argument) for argument in sys.argv[1:]] or [10.0, 60.0, 1800.0]:
        for channels, bits in ((2, 24), (1, 24), (2, None)):
            name = f"{'float' if bits is None else bits} x{channels}, {seconds:g} s"
            spent = min(microseconds(seconds, channels, bits) for _ in range(3))
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"{name:32} {spent:6.0f} us/s   peak memory so far {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
