"""The session as its players would have exported it: microphones, files, planted faults, sheet.

The sheet is written as its invented producer would have typed it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.demo import song
from stemprep.demo.instruments import Mono
from stemprep.units import ratio_from_db

SHEET = """\
# What the files do not say. Everything here is invented.
artist: The Quillmoor Lantern Band
artist_initials: QL
title: Slow Ferry Home
engineer: M. Kestrel
mixer_initials: MK
contact: control room at Quillmoor Mill, extension 12
rights: The Quillmoor Lantern Band
date: "2031-05-02"

songs:
  - title: Slow Ferry Home
    files: ["*"]
    bar_1:
      timecode: "10:00:01:00"
      frame_rate: 25
    count_in_bars: 1
    tempo_map:
      - bar: 1
        tempo_bpm: 92
        meter: 4/4
    sections:
      - name: Verse
        bar: 1
      - name: Turnaround
        bar: 5
    reference_mix: Reference Mix.wav

tracks:
  - file: "01 Kick In.wav"
    source: kick drum
    microphone: inside, a hand from the beater
    group: drums
  - file: "02 Snare Top.wav"
    source: snare drum
    group: drums
  - file: "03 Snare Bottom.wav"
    source: snare drum
    microphone: under the drum, so its polarity is inverted by design
    group: drums
  - file: "0? Overhead*.wav"
    group: drums
  - file: "06 Room.wav"
    microphone: one omni, 4.7 m from the kit
    group: drums
  - file: "10 Voice*"
    source: voice
    notes: mono; came out of the export as two sides
    order:
      fold_mono: true
"""


RATE_HZ = 48_000
OTHER_ROOM_RATE_HZ = 44_100
SESSION_START_S = 10 * 3600
GUITAR_ENTERS_S = 2.5

_SNARE_BOTTOM_LATE_SAMPLES = 14
_NOISE_DBFS = -88.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoFile:
    """One audio file to write.

    samples: planar float64, shape (channels, frames), full scale = 1.0, within full scale.
    is_header_unfinished: its size fields are still zero, as after a power cut.
    """

    path: str
    samples: npt.NDArray[np.float64]
    rate_hz: int = RATE_HZ
    bit_depth: int = 24
    time_reference_samples: int | None = None
    is_header_unfinished: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedFault:
    """What was planted where; check: the finding it must lead to; story: in a mixer's words."""

    path: str
    check: str
    story: str


FAULTS = (
    PlantedFault(
        path="06 Room.wav",
        check="header",
        story="the recorder lost power: the header says 0 bytes, the take is all there",
    ),
    PlantedFault(
        path="07 Bass DI.wav", check="mixed-formats", story="exported at 16 bit, the rest is 24"
    ),
    PlantedFault(
        path="08 Guitar.wav",
        check="start-alignment",
        story="exported from its first note, 2.5 s after everything else starts",
    ),
    PlantedFault(
        path="09 Piano.wav",
        check="mixed-formats",
        story="recorded in another room at 44.1 kHz, the session is at 48 kHz",
    ),
    PlantedFault(
        path="10 Voice: lead?.wav",
        check="name",
        story="a name that many systems refuse to write",
    ),
    PlantedFault(
        path="10 Voice: lead?.wav", check="dual-mono", story="one voice, bounced as two equal sides"
    ),
    PlantedFault(
        path="11 Floor Tom.wav", check="clipping", story="the preamp was turned up too far"
    ),
)
"""Documented here, checked by the tests: the demo must find each of them."""


def demo_files() -> Iterator[DemoFile]:
    """The session's audio, one file at a time; the same samples on every run."""
    dry = _dry_sources()
    tracks = {**_drum_microphones(dry), **_other_tracks(dry)}
    for path, samples in tracks.items():
        yield _demo_file(path, samples)
    yield DemoFile(
        path="09 Piano.wav",
        samples=with_noise(_piano(OTHER_ROOM_RATE_HZ), seed=9),
        rate_hz=OTHER_ROOM_RATE_HZ,
        time_reference_samples=SESSION_START_S * OTHER_ROOM_RATE_HZ,
    )
    yield _demo_file("Reference Mix.wav", _reference_mix(tracks, dry))
    yield _demo_file("Talkback.wav", _talkback())


def extra_files() -> dict[str, bytes]:
    """What else lies in the folder: a document that travels, litter that does not."""
    notes = "Take 3 is the one.\nRoom mic stands 4.7 m from the kit.\nVoice: keep the breaths.\n"
    return {"take notes.txt": notes.encode(), "Thumbs.db": b"\xd0\xcf\x11\xe0 thumbnails"}


def sheet() -> str:
    """The session sheet that lies beside the audio."""
    return SHEET


def _demo_file(path: str, samples: npt.NDArray[np.float64]) -> DemoFile:
    start_s = SESSION_START_S + (GUITAR_ENTERS_S if path.startswith("08") else 0.0)
    return DemoFile(
        path=path,
        samples=samples,
        bit_depth=16 if path.startswith("07") else 24,
        time_reference_samples=round(start_s * RATE_HZ),
        is_header_unfinished=path.startswith("06"),
    )


def _dry_sources() -> dict[str, Mono]:
    return {
        "kick": song.kick_source(RATE_HZ),
        "snare": song.snare_source(RATE_HZ),
        "hat": song.hat_source(RATE_HZ),
        "bass": song.bass_source(RATE_HZ),
        "guitar": song.chord_source(RATE_HZ, is_piano=False),
        "voice": song.voice_source(RATE_HZ),
    }


def _late(sound: Mono, milliseconds: float) -> Mono:
    """The same sound after its way through the air."""
    delay = round(milliseconds * RATE_HZ / 1000)
    return np.concatenate([np.zeros(delay), sound[: sound.size - delay]]) if delay else sound


def with_noise(samples: npt.NDArray[np.float64], *, seed: int) -> npt.NDArray[np.float64]:
    """Every real microphone hisses a little."""
    level = ratio_from_db(_NOISE_DBFS)
    return np.asarray(samples + np.random.default_rng(seed).normal(0, level, samples.shape))


def _drum_microphones(dry: dict[str, Mono]) -> dict[str, npt.NDArray[np.float64]]:
    """Five microphones and a room on one kit: every one hears every drum, each in its time."""
    kick, snare, hat = dry["kick"], dry["snare"], dry["hat"]
    top = 0.7 * snare + 0.06 * _late(kick, 2.1) + 0.05 * _late(hat, 1.4)
    bottom = np.roll(-0.8 * top, _SNARE_BOTTOM_LATE_SAMPLES)
    bottom[:_SNARE_BOTTOM_LATE_SAMPLES] = 0.0
    heard = {
        "01 Kick In.wav": 0.8 * kick + 0.03 * _late(snare, 2.3),
        "02 Snare Top.wav": top,
        "03 Snare Bottom.wav": bottom,
        "04 Overhead L.wav": 0.3 * _late(kick, 4.1)
        + 0.4 * _late(snare, 3.2)
        + 0.3 * _late(hat, 2.6),
        "05 Overhead R.wav": 0.3 * _late(kick, 4.2)
        + 0.3 * _late(snare, 3.9)
        + 0.1 * _late(hat, 4.4),
        "06 Room.wav": sum(
            level * _late(0.5 * kick + 0.6 * snare + 0.3 * hat, delay_ms)
            for level, delay_ms in ((0.6, 13.7), (0.3, 21.1), (0.22, 29.6), (0.15, 47.3))
        ),
    }
    return {
        path: with_noise(np.atleast_2d(sound), seed=int(path[:2])) for path, sound in heard.items()
    }


def _other_tracks(dry: dict[str, Mono]) -> dict[str, npt.NDArray[np.float64]]:
    entry = round(GUITAR_ENTERS_S * RATE_HZ)
    voice = with_noise(np.atleast_2d(0.6 * dry["voice"]), seed=10)
    tom = with_noise(np.atleast_2d(2.5 * _late(dry["kick"], 330.0)), seed=11)
    return {
        "07 Bass DI.wav": with_noise(np.atleast_2d(0.5 * dry["bass"]), seed=7),
        "08 Guitar.wav": with_noise(np.atleast_2d(0.5 * dry["guitar"]), seed=8)[:, entry:],
        "10 Voice: lead?.wav": np.repeat(voice, 2, axis=0),
        "11 Floor Tom.wav": np.clip(tom, -1.0, 1.0),
    }


def _piano(rate_hz: int) -> npt.NDArray[np.float64]:
    """Two microphones over the strings: the low ones nearer to the left."""
    sound = 0.4 * song.chord_source(rate_hz, is_piano=True)
    delay = round(0.0004 * rate_hz)
    right = np.concatenate([np.zeros(delay), 0.8 * sound[:-delay]])
    return np.stack([sound, right])


def _reference_mix(
    tracks: dict[str, npt.NDArray[np.float64]], dry: dict[str, Mono]
) -> npt.NDArray[np.float64]:
    """A simple balance of everything, well below full scale."""
    frames = song.length_samples(RATE_HZ)
    mix = np.zeros((2, frames))
    pans = {"04": (1.0, 0.2), "05": (0.2, 1.0)}
    for path, samples in tracks.items():
        if path.startswith(("08", "11")):
            continue
        left, right = pans.get(path[:2], (0.5, 0.5))
        mix[0] += left * samples[0]
        mix[1] += right * samples[-1]
    mix += np.outer((0.35, 0.15), dry["guitar"])
    mix += 0.7 * _piano(RATE_HZ)[:, :frames]
    return np.asarray(mix * (ratio_from_db(-6.0) / np.abs(mix).max()))


def _talkback() -> npt.NDArray[np.float64]:
    """Somebody hums a count before the take and is silent after it."""
    take = np.zeros(song.length_samples(RATE_HZ))
    babble = 0.3 * song.voice_source(RATE_HZ)
    length = round(0.9 * RATE_HZ)
    begin = song.bar_one_samples(RATE_HZ) + round(2.6 * RATE_HZ)
    take[:length] = babble[begin : begin + length] * np.hanning(length)
    return with_noise(np.atleast_2d(take), seed=99)
