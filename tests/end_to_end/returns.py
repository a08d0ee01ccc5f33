"""A small session, what was sent of it, and what another room may send back; all made here.

The Quillmoor Lantern Band, "Slow Ferry Home": four tracks and their rough mix. The takes of the
other room are sung tones that have nothing of the mix but what leaks from the headphones, 34 dB
down.
"""

from __future__ import annotations

import json
import shutil
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import soxr

from stemprep.units import ratio_from_db
from tests import signals
from tests.end_to_end import drops
from tests.lineage.takes import RATE_HZ, Planar, rounded, take

SECONDS = 12.0
FRAMES = round(SECONDS * RATE_HZ)
NAMES = ("Drums", "Bass", "Guitar", "Piano")
SPEC = "extends: overdub\ncontents: {companions: []}\n"
SPILL_DB = -34.0


@lru_cache(maxsize=1)
def tracks() -> dict[str, Planar]:
    """Four takes that sound nothing like each other."""
    return {name: take(seed, SECONDS) for seed, name in enumerate(NAMES, start=1)}


@lru_cache(maxsize=1)
def mix() -> Planar:
    """What the other room listens to."""
    both = sum(tracks().values()) * 0.5
    return rounded(np.repeat(np.asarray(both), 2, axis=0))


def sent_drop(folder: Path) -> Path:
    """The session as it is dropped here."""
    for name, sound in tracks().items():
        drops.write_take(folder / f"{name}.wav", sound)
    drops.write_take(folder / "Rough Mix.wav", mix())
    (folder / "session.yaml").write_text(
        "artist: The Quillmoor Lantern Band\ntitle: Slow Ferry Home\nengineer: M. Kestrel\n"
    )
    return folder


def spec_file(folder: Path) -> Path:
    """An overdub spec that makes nothing beside the files, so that tests are quick."""
    path = folder / "plain-overdub.yaml"
    path.write_text(SPEC)
    return path


def sung(
    pitch_hz: float, *, start: int = 0, late: int = 0, spill_db: float | None = SPILL_DB
) -> Planar:
    """A take from sample ``start`` of the session on, its spill so late; shape (1, frames)."""
    time_s = np.arange(FRAMES - start) / RATE_HZ
    phase = 2 * np.pi * pitch_hz * time_s + 0.4 * np.sin(2 * np.pi * 5.1 * time_s)
    swell = 0.55 + 0.45 * np.sin(2 * np.pi * 0.37 * time_s)
    sound = sum(0.1 * swell * np.sin(part * phase) / part for part in range(1, 5))
    if spill_db is not None:
        heard = np.zeros(FRAMES)
        heard[late:] = mix().mean(axis=0)[: FRAMES - late]
        level = ratio_from_db(spill_db) * np.std(sound) / np.std(heard)
        sound = sound + level * heard[start:]
    return rounded(np.asarray(sound)[np.newaxis])


def write_new(path: Path, sound: Planar, start: int, *, rate_hz: int = RATE_HZ) -> Path:
    """A new file with the time reference of its start, converted to another rate if asked."""
    if rate_hz != RATE_HZ:
        sound = soxr.resample(sound[0], RATE_HZ, rate_hz, quality="VHQ")[np.newaxis]
    return drops.write_take(path, sound, rate_hz=rate_hz, start_s=drops.START_S + start / RATE_HZ)


def returned_drop(folder: Path, sent: Path) -> Path:
    """One of each: untouched, another name, another header, repacked, changed, missing, new."""
    folder.mkdir(parents=True)
    shutil.copyfile(sent / "Rough Mix.wav", folder / "Rough Mix.wav")
    shutil.copyfile(sent / "Piano.wav", folder / "Piano (1).wav")
    signals.write_wav(folder / "Drums.wav", tracks()["Drums"])
    bass = tracks()["Bass"].copy()
    bass[:, 200_000:300_000] *= ratio_from_db(-3.0)
    drops.write_take(folder / "Bass.wav", rounded(bass))
    write_new(folder / "OD Choir.wav", sung(330.0, start=96_000), 96_000)
    write_new(folder / "OD Clean Gtr.wav", sung(220.0, start=48_000, late=1_200), 48_000)
    write_new(folder / "OD Lead Gtr.wav", sung(277.0, start=24_000), 24_000, rate_hz=44_100)
    return folder


def manifest_of(package: Path) -> dict[str, Any]:
    """What a package tells of itself."""
    content: dict[str, Any] = json.loads((package / "data/manifest.json").read_text())
    return content


def lag_of(sound: Planar, reference: Planar) -> int:
    """By how many samples ``reference`` lies later in ``sound``: the plain correlation's top."""
    size = 1 << int(np.ceil(np.log2(len(sound) + len(reference))))
    products = np.fft.rfft(sound, size) * np.fft.rfft(reference, size).conj()
    place = int(np.fft.irfft(products, size).argmax())
    return place if place < len(sound) else place - size
