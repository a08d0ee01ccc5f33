"""A sheet that went into a manifest comes out as it was."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import pytest

from stemprep.errors import SpecError
from stemprep.model.sheet import MidiTempo, SessionSheet
from stemprep.spec import load_recorded_sheet, load_sheet

TEXT = b"""\
title: Slow Ferry Home
songs:
  - title: A
    bar_1: {timecode: "01:00:00;02", frame_rate: 29.97-drop}
    count_in_bars: 2
    tempo_map: [{bar: 1, tempo_bpm: 93.5, meter: 3/4, ramp: true}, {bar: 9, tempo_bpm: 90}]
    sections: [{name: Verse, bar: 1}]
  - title: B
    bar_1: {samples: 96000}
    tempo_file: map.mid
  - title: C
    free_time: true
tracks: [{file: a.wav, pan: -30}]
"""
TEMPO = MidiTempo(
    ticks_per_quarter=480,
    tempos=((0, 500_000), (960, 645_161)),
    meters=((0, 6, 8),),
    markers=((0, "Intro"),),
)


def read() -> SessionSheet:
    return load_sheet(TEXT, "session.yaml", lambda path: TEMPO)


def record(**tempo: Any) -> dict[str, Any]:
    values: dict[str, Any] = json.loads(json.dumps(asdict(read())))
    values["songs"][1]["tempo_read"] |= tempo
    return values


def test_nothing_is_lost() -> None:
    assert load_recorded_sheet(record(), "manifest.json") == read()


@pytest.mark.parametrize(
    "tempo",
    [
        {"ticks_per_quarter": 0},
        {"tempos": [[0, 1]]},
        {"tempos": [[5, 500_000], [4, 500_000]]},
        {"tempos": "x"},
        {"tempos": [[0, 500_000]] * 10_001},
        {"meters": [[0, 4, 3]]},
        {"meters": [[0, 0, 4]]},
        {"markers": [[0, "x" * 101]]},
        {"more": 1},
    ],
)
def test_a_tempo_that_no_file_could_hold_is_refused(tempo: dict[str, Any]) -> None:
    with pytest.raises(SpecError, match=r"manifest\.json"):
        load_recorded_sheet(record(**tempo), "manifest.json")
