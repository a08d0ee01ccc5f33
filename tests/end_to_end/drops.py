"""Small drops for tests of the whole way: a second of sound a file, every kind of work in it."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from stemprep.containers import Metadata, build_bext, write_blocks
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import AudioFormat, Bext, Encoding
from tests import signals

ROOT = Path(__file__).parents[2]
SHARED = ROOT.parent / "shared"
SESSIONS = SHARED / "sessions"
START_S = 3600

SHEET = """\
artist: The Quillmoor Lantern Band
title: Slow Ferry Home
engineer: M. Kestrel
tracks:
  - file: "04 Voice.wav"
    source: voice
"""


def write_take(
    path: Path,
    samples: signals.Planar,
    *,
    rate_hz: int = 48_000,
    bits: int = 24,
    encoding: Encoding = "integer",
    start_s: float | None = START_S,
) -> Path:
    """Write a WAV file with a time reference, through the project's own writer."""
    kind = AudioFormat(
        container="WAV",
        encoding=encoding,
        sample_rate_hz=rate_hz,
        channels=samples.shape[0],
        bit_depth=bits,
        container_bits=bits,
    )
    codes = None
    if encoding == "integer":
        top = 2.0 ** (bits - 1)
        whole = np.clip(np.rint(samples.T * top), -top, top - 1).astype(np.int64)
        codes = np.ascontiguousarray((whole << (32 - bits)).astype(np.int32))
    block = SoundBlock(np.ascontiguousarray(samples), codes)
    chunks: tuple[tuple[str, bytes], ...] = ()
    if start_s is not None:
        bext = Bext(description=path.stem, time_reference_samples=round(start_s * rate_hz))
        chunks = (("bext", build_bext(bext)),)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as stream:
        write_blocks(stream, kind, iter([block]), Metadata(chunks=chunks), samples.shape[1])
    return path


def note(
    *, peak_dbfs: float, seconds: float, rate_hz: int = 48_000, channels: int = 1, seed: int = 1
) -> signals.Planar:
    """A plucked string that begins and ends in silence, so that nothing seems cut off."""
    sound = signals.pluck(
        peak_dbfs=peak_dbfs, seconds=seconds, rate_hz=rate_hz, channels=channels, seed=seed
    )
    time_s = np.arange(sound.shape[1]) / rate_hz
    return np.asarray(sound * np.clip(np.minimum(time_s, seconds - time_s - 0.02) / 0.02, 0, 1))


def tracking_drop(folder: Path) -> Path:
    """Six takes of one song: other rates, word lengths and starts, a document, litter, a sheet."""
    write_take(folder / "01 Kick.wav", note(peak_dbfs=-9, seconds=1.0, seed=1))
    write_take(folder / "02 Bass.wav", note(peak_dbfs=-12, seconds=1.0, seed=2), bits=16)
    piano = note(peak_dbfs=-10, seconds=1.0, rate_hz=44_100, channels=2, seed=3)
    piano[1] *= 0.7
    write_take(folder / "03 Piano.wav", piano, rate_hz=44_100)
    voice = note(peak_dbfs=-8, seconds=0.75, seed=4)
    write_take(folder / "04 Voice.wav", voice, start_s=START_S + 0.25)
    guitar = note(peak_dbfs=-11, seconds=1.0, seed=5)
    write_take(folder / "05 Guitar.wav", guitar, bits=32, encoding="float")
    mix = note(peak_dbfs=-6, seconds=1.0, channels=2, seed=6)
    mix[1] *= 0.8
    write_take(folder / "Song Mix.wav", mix)
    (folder / "take notes.txt").write_text("Take 3 is the one.\n")
    (folder / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0 thumbnails")
    (folder / "session.yaml").write_text(SHEET)
    return folder


def one_take(folder: Path) -> Path:
    """The smallest drop that passes: one second of one microphone."""
    write_take(folder / "01 Kick.wav", note(peak_dbfs=-9, seconds=1.0))
    return folder


def clipped_take(folder: Path) -> Path:
    """A stem that sits at full scale: a fail under the strictest rules for mixes."""
    loud = np.clip(signals.sine(110, peak_dbfs=6, seconds=1.0, channels=2), -1.0, 1.0)
    loud[1] *= -1.0
    write_take(folder / "Song Mix.wav", loud)
    return folder


def copied(drop: Path, to: Path) -> Path:
    """Copy a drop without its times."""
    shutil.copytree(drop, to, copy_function=shutil.copyfile)
    return to


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder with its content."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def state(folder: Path) -> dict[str, tuple[bytes | None, int, int]]:
    """Content, time of change and mode of everything below a folder, and of the folder itself."""
    return {
        str(path.relative_to(folder)): (
            path.read_bytes() if path.is_file() else None,
            path.stat().st_mtime_ns,
            path.stat().st_mode,
        )
        for path in (folder, *sorted(folder.rglob("*")))
    }


def needs(session: str) -> Path:
    """The folder of a field session, or a skip where it is missing."""
    import pytest

    folder = SESSIONS / session
    if not folder.is_dir():
        pytest.skip(f"{folder} is not here")
    return folder
