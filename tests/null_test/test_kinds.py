"""Mistakes that people make besides those of level and time: another file, a file printed twice.

Stems of made music, 24-bit words; a few sets of field sessions where they lie beside the project.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from stemprep.model.null_test import NullCause
from stemprep.null_test import Outcome, null_test, set_of_arrays
from tests.null_test.buses import bus, summed
from tests.null_test.music import Planar, field_stems, music

RATE_HZ = 44_100
STEP = 2.0**-23
NAMES = ("bass", "drums", "effect", "guitar", "keys")


def made(seed: int = 7, seconds: float = 3.0, count: int = 5) -> list[Planar]:
    generator = np.random.default_rng(seed)
    frames = int(seconds * RATE_HZ)
    return [0.2 * wide(music(generator, frames, RATE_HZ)) for _ in range(count)]


def wide(sound: Planar) -> Planar:
    return np.array(np.broadcast_to(sound, (2, sound.shape[1])))


def rounded(sound: Planar) -> Planar:
    return np.round(sound / STEP) * STEP


def outcome_of(mix: Planar, stems: Sequence[Planar], rate_hz: int = RATE_HZ) -> Outcome:
    shortened = [rounded(stem).astype(np.float32) for stem in stems]
    return null_test(
        set_of_arrays(rounded(mix).astype(np.float32), shortened, rate_hz, STEP, NAMES)
    )


def told(outcome: Outcome) -> list[tuple[str, str | None]]:
    return [(cause.kind, cause.file) for cause in outcome.causes]


@pytest.mark.parametrize("place", [0, 1, 3])
def test_a_file_of_another_song_is_foreign_and_no_gain_is_invented(place: int) -> None:
    stems = made()
    mix = summed(stems)
    (other,) = made(seed=900 + place, count=1)
    own = stems[place]
    stems[place] = other * np.sqrt(np.square(own).mean() / np.square(other).mean())
    outcome = outcome_of(mix, stems)
    assert told(outcome) == [("foreign", NAMES[place])]
    assert outcome.gain == 1.0
    (cause,) = outcome.causes
    level_dbfs = 10 * np.log10(np.square(own).mean())  # pauses count here, there not
    assert cause.level_dbfs is not None
    assert level_dbfs - 0.5 < cause.level_dbfs < level_dbfs + 6


def test_an_older_take_is_told_with_where_it_is_as_in_the_mix() -> None:
    stems = made()
    mix = summed(stems)
    start, end = int(0.8 * RATE_HZ), int(1.9 * RATE_HZ)
    (other,) = made(seed=91, count=1)
    stems[4] = np.concatenate((stems[4][:, :start], other[:, start:end], stems[4][:, end:]), axis=1)
    outcome = outcome_of(mix, stems)
    assert told(outcome) == [("older", "keys")]
    (cause,) = outcome.causes
    assert cause.start_sample is not None
    assert cause.end_sample is not None
    assert start - 1024 <= cause.start_sample <= end
    assert start <= cause.end_sample <= end + 1024
    assert cause.same_spans
    assert all(high <= start + 1024 or low >= end - 1024 for low, high in cause.same_spans)


def test_a_mix_of_another_song_makes_no_file_foreign() -> None:
    stems = made()
    outcome = outcome_of(summed(made(seed=55)), stems)
    assert told(outcome) == [("not-explained", None)]
    assert outcome.causes[0].has_no_stem
    assert outcome.gain == 1.0


@pytest.mark.parametrize(("gain", "lag"), [(1.0, 0), (0.5, 0), (0.7, 300), (0.5, -40)])
def test_an_effect_printed_into_another_file_is_that_files_fault(gain: float, lag: int) -> None:
    stems = made()
    mix = summed(stems)
    stems[4] = stems[4] + gain * late(stems[2], lag)
    (cause,) = outcome_of(mix, stems).causes
    assert (cause.kind, cause.file, cause.contains) == ("also-in", "keys", "effect")
    assert cause.gain_db == pytest.approx(20 * np.log10(gain), abs=0.005)
    assert cause.lag_samples == lag


def late(sound: Planar, lag: int) -> Planar:
    moved = np.zeros_like(sound)
    frames = sound.shape[1]
    moved[:, max(lag, 0) : frames + min(lag, 0)] = sound[:, max(-lag, 0) : frames - max(lag, 0)]
    return moved


def test_a_stem_that_is_in_no_other_one_is_still_not_in_the_mix() -> None:
    stems = made()
    mix = summed([*stems[:2], *stems[3:]])
    assert told(outcome_of(mix, stems)) == [("not-in-mix", "effect")]


def test_a_file_printed_twice_beside_one_that_is_short() -> None:
    stems = made()
    mix = summed(stems)
    stems[3] = stems[3] + stems[2]
    keys = stems[4].copy()
    end = int(2.1 * RATE_HZ)
    keys[:, end:] = 0.0
    outcome = outcome_of(mix, [*stems[:4], keys])
    assert told(outcome) == [("also-in", "guitar"), ("cut-short", "keys")]
    assert outcome.causes[1].start_sample == pytest.approx(end, abs=64)


def test_a_file_printed_twice_beside_a_missing_stem() -> None:
    stems = made(count=6)
    mix = summed(stems)
    stems[4] = stems[4] + stems[2]
    outcome = outcome_of(mix, stems[:5])
    assert told(outcome)[0] == ("also-in", "keys")
    assert {cause.file for cause in outcome.causes} == {"keys", None}


def test_one_file_under_two_names_leaves_open_which_of_them_is_wrong() -> None:
    stems = made()
    mix = summed(stems)
    stems[3] = stems[1]
    (cause,) = outcome_of(mix, stems).causes
    assert {cause.file, *(other.file for other in cause.alternatives)} == {"drums", "guitar"}
    assert {cause.kind, *(other.kind for other in cause.alternatives)} == {"foreign"}


@pytest.mark.parametrize("name", ["compressor", "limiter", "equaliser", "re-rendered", "lossy"])
def test_nothing_that_a_bus_does_blames_a_file_or_states_a_gain(name: str) -> None:
    stems = made(seed=31)
    mix = bus(np.random.default_rng(3), name, summed(stems), stems, RATE_HZ)
    outcome = outcome_of(mix, stems)
    assert {cause.file for cause in outcome.causes} == {None}
    assert outcome.gain == 1.0
    assert all(_states_its_distance(cause) for cause in outcome.causes)


def _states_its_distance(cause: NullCause) -> bool:
    return cause.kind != "bus-dynamics" or cause.left_dbfs is not None


def test_a_file_of_another_field_session_is_foreign() -> None:
    rate_hz, stems = field_stems("S03a_mix_stems_null")
    other_rate_hz, others = field_stems("S01_tracking_clean")
    if not stems or not others:
        pytest.skip("field sessions are not here")
    assert rate_hz == other_rate_hz
    frames = 3 * rate_hz
    here = [stem[:, frames : 2 * frames] for stem in stems[:5]]
    mix = summed(here)
    here[3] = wide(others[16][:, frames : 2 * frames])
    assert told(outcome_of(mix, here, rate_hz)) == [("foreign", NAMES[3])]
