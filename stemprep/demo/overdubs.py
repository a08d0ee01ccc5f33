"""What the overdub room of the demo sends back: two new takes, and what it did to originals."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from stemprep.demo import song
from stemprep.demo.instruments import Mono
from stemprep.demo.session import RATE_HZ, SESSION_START_S, DemoFile, PlantedFault, with_noise
from stemprep.units import ratio_from_db

PLAYED_TO = "Reference Mix.wav"
NEW_NAMES = {"01 Kick In.wav": "BD inside.wav"}
KEPT = ("11 Floor Tom.wav",)
TURNED_DOWN = "08 Guitar.wav"
TURNED_DOWN_DB = -1.5
HARMONY_LATE_SAMPLES = 960
_LEAKS_DB = -30.0  # common practice, no source: the mix from headphones in the singer's microphone

RETURN_FAULTS = (
    PlantedFault(
        path="BD inside.wav", check="original-renamed", story="01 Kick In.wav, under another name"
    ),
    PlantedFault(path=TURNED_DOWN, check="original-changed", story="turned down by 1.5 dB"),
    PlantedFault(
        path="data/tracks/11 Floor Tom.wav",
        check="original-missing",
        story="kept there; the mix was not sent back either",
    ),
    PlantedFault(
        path="12 Harmony Voice.wav",
        check="late-entry",
        story="new, 20 ms late: nobody took out what the recorder delays",
    ),
    PlantedFault(
        path="13 Mandolin.wav",
        check="late-entry",
        story="new, exported from bar 3; nothing in the file says so",
    ),
)
"""Documented here, checked by the tests: reconciling must find each of them."""


def new_takes(mix: Mono, before_samples: int) -> Iterator[DemoFile]:
    """What was sung and played to the mix, which leaks from the headphones into every take.

    mix: what the package gave to play to, at the session's rate; before_samples: how much
    earlier it begins than the demo's session.
    """
    heard = ratio_from_db(_LEAKS_DB) * mix
    harmony = 0.8 * _in_package(song.harmony_source(RATE_HZ), before_samples) + heard
    late = np.concatenate([np.zeros(HARMONY_LATE_SAMPLES), harmony[:-HARMONY_LATE_SAMPLES]])
    yield DemoFile(
        path="12 Harmony Voice.wav",
        samples=with_noise(np.atleast_2d(late), seed=12),
        time_reference_samples=SESSION_START_S * RATE_HZ - before_samples,
    )
    mandolin = _in_package(song.mandolin_source(RATE_HZ), before_samples) + heard
    start = mandolin_starts_samples(before_samples)
    yield DemoFile(
        path="13 Mandolin.wav", samples=with_noise(np.atleast_2d(mandolin[start:]), seed=13)
    )


def mandolin_starts_samples(before_samples: int) -> int:
    """Where the mandolin's file belongs, counted from the package's common start."""
    return before_samples + song.bar_samples(song.MANDOLIN_ENTERS_BAR, RATE_HZ)


def _in_package(sound: Mono, before_samples: int) -> Mono:
    return np.concatenate([np.zeros(before_samples), sound])
