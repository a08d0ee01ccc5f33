"""Drops that a rough mix is made from, and files as an independent library reads them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from tests import signals

Floats = npt.NDArray[np.float64]
TRACKS = {
    "Kick In": 1,
    "Overheads": 2,
    "Bass DI": 1,
    "Bass Amp": 1,
    "Lead Vox": 1,
    "Lead Vox Verb": 2,
    "Choir dry": 1,
    "Choir": 1,
    "Gtr": 1,
    "Talkback": 1,
    "Click": 1,
    "Guide Vox": 1,
    "Gtr take 2": 1,
}
LEVELS = """\
  - {file: "Gtr take 2.wav", level_db: 0, use: alternate}
  - {file: "Kick In.wav", level_db: -3, pan: 0}
  - {file: "Overheads.wav", level_db: -6.5, pan: 40}
  - {file: "Gtr.wav", level_db: -2, pan: -50}
  - {file: "Lead Vox Verb.wav", level_db: -12, pan: -100}
  - {file: "*", level_db: -8}
"""
SHEET = """\
artist: The Quillmoor Lantern Band
title: Slow Ferry Home
tracks:
"""


def make_drop(
    folder: Path, *, tracks: Iterable[str] = TRACKS, levels: str = LEVELS, seconds: float = 2.0
) -> Path:
    """One file a track, 48 kHz, 24 bit, and a sheet."""
    folder.mkdir()
    for seed, (name, channels) in enumerate((name, TRACKS[name]) for name in tracks):
        sound = signals.pluck(peak_dbfs=-9, seconds=seconds, channels=channels, seed=seed)
        sound *= np.array([[1.0], [0.7]])[:channels]
        signals.write_wav(folder / f"{name}.wav", sound)
    sheet = SHEET if levels else SHEET.removesuffix("tracks:\n")
    (folder / "session.yaml").write_text(sheet + levels)
    return folder


def sound_of(path: Path) -> Floats:
    """A file as the reference library reads it, planar float64."""
    samples, _ = soundfile.read(path, dtype="float64", always_2d=True)
    return np.asarray(samples.T)
