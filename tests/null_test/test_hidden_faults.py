"""A second fault while one stem lacks sound, and sound that only looks like one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stemprep.model.null_test import NullCause
from stemprep.null_test import excerpts, set_of_arrays
from stemprep.null_test.masked_changes import hidden_sections
from stemprep.null_test.model import Cut, plain_model
from tests.null_test.material import Planar, quantised, total
from tests.null_test.music import _keys, _pad, _voice
from tests.null_test.test_null_test import STEP, outcome_of, soft_stems, stems

FRAMES = 96_000


def stored(samples: Planar) -> Planar:
    return quantised(samples, 24, np.random.default_rng(0), dithered=False)


def silenced(part: Planar, start: int = 25_000, end: int = 80_000) -> Planar:
    out = part.copy()
    out[:, start:end] = 0.0
    return out


def told(causes: tuple[NullCause, ...]) -> list[tuple[str, str | None]]:
    return [(cause.kind, cause.file) for cause in causes]


@pytest.mark.parametrize("length", [16_514, 16_532, 20_000])
def test_a_louder_section_of_any_length_is_heard_beneath_a_hole(length: int) -> None:
    """16,514 and 16,532: the last piece would be hardly longer than a prediction."""
    parts = soft_stems(4)
    louder = parts[1].copy()
    louder[:, 40_000 : 40_000 + length] *= 2.0
    mix = total([parts[0], louder, *parts[2:]])
    hole, level = outcome_of(mix, [silenced(parts[0]), *parts[1:]]).causes
    assert (hole.kind, hole.file) == ("cut-short", "stem 1")
    assert (level.kind, level.file) == ("level", "stem 2")
    assert level.gain_db == pytest.approx(-6.02, abs=0.1)
    assert level.start_sample == pytest.approx(40_000, abs=64)
    assert level.end_sample == pytest.approx(40_000 + length, abs=64)


def test_it_is_heard_beneath_digital_silence_too() -> None:
    parts = soft_stems(4)
    parts[0][:, 62_000:75_000] = 0.0
    louder = parts[1].copy()
    louder[:, 40_000:60_000] *= 2.0
    mix = total([parts[0], louder, *parts[2:]])
    causes = outcome_of(mix, [silenced(parts[0]), *parts[1:]]).causes
    assert told(causes) == [("cut-short", "stem 1"), ("level", "stem 2")]


@pytest.mark.parametrize("factor", [2.0, 0.0, -1.0])
def test_the_common_gain_is_counted_once(factor: float) -> None:
    parts = stems(4)
    changed = parts[1].copy()
    changed[:, 40_000:60_000] *= factor
    mix = stored(0.7 * total([parts[0], changed, *parts[2:]]))
    sums = set_of_arrays(mix, [silenced(parts[0]), *parts[1:]], 48_000, STEP)
    cut = Cut(0, (25_000, 80_000), 0.1, is_hard=True)
    (change,) = hidden_sections(sums, replace(plain_model(sums), gain=0.7).with_cut(cut))
    assert change.matrix[0, 0] == pytest.approx(factor, abs=0.01)


def test_a_hole_is_told_where_the_work_ends_before_more_is_heard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for limit in ("_LEAST_WORK", "_SHORT_WORK"):
        monkeypatch.setattr(excerpts, limit, 0)
    parts = soft_stems(4)
    louder = parts[1].copy()
    louder[:, 40_000:60_000] *= 2.0
    mix = total([parts[0], louder, *parts[2:]])
    causes = outcome_of(mix, [silenced(parts[0]), *parts[1:]]).causes
    assert told(causes)[:1] == [("cut-short", "stem 1")]


def wide(mono: np.ndarray, gain: float) -> Planar:
    return stored(gain * np.stack((0.8 * mono, mono)))


def beds() -> list[Planar]:
    generator = np.random.default_rng(9)
    return [wide(play(generator, FRAMES, 48_000), 0.1) for play in (_pad, _keys)]


@pytest.mark.parametrize("gain", [0.05, 0.07])
@pytest.mark.parametrize("seed", range(3))
def test_one_sample_played_by_two_blames_only_the_one_with_the_hole(seed: int, gain: float) -> None:
    generator = np.random.default_rng(200 + seed)
    time = np.arange(5_000) / 48_000
    shots = [
        generator.normal(size=5_000) * np.exp(-40 * time)
        + 2 * np.sin(2 * np.pi * generator.uniform(50, 200) * time) * np.exp(-20 * time)
        for _ in range(6)
    ]
    first, second = generator.integers(0, 3, 16), generator.integers(3, 6, 16)
    second[7:10] = first[7:10]

    def played(hits: np.ndarray) -> np.ndarray:
        out = np.zeros(FRAMES)
        for place, shot in enumerate(hits):
            start = 6_000 * place
            out[start : start + 5_000] += shots[shot][: FRAMES - start]
        return out

    parts = [wide(played(first), 0.05), wide(played(second), gain), *beds()]
    causes = outcome_of(total(parts), [silenced(parts[0]), *parts[1:]]).causes
    assert told(causes) == [("cut-short", "stem 1")]


def test_a_part_that_goes_on_in_another_file_is_told_as_an_equal() -> None:
    """One recording split over two tracks in turn, as comps are."""
    generator = np.random.default_rng(300)
    sound = _voice(generator, FRAMES, 48_000) + 1e-3 * generator.normal(size=FRAMES)
    first, second = np.zeros(FRAMES), np.zeros(FRAMES)
    edges = [0, 33_000, 45_011, 58_003, 71_007, FRAMES]
    for place in range(len(edges) - 1):
        (second if place % 2 else first)[edges[place] : edges[place + 1]] = sound[
            edges[place] : edges[place + 1]
        ]
    parts = [wide(first, 0.1), wide(second, 0.1), *beds()]
    delivered = [silenced(parts[0], 10_000, 90_000), *parts[1:]]
    first_told, *others = outcome_of(total(parts), delivered).causes
    assert (first_told.kind, first_told.file) == ("cut-short", "stem 1")
    for cause in others:
        assert cause.confidence < 0.5
        assert {other.file for other in cause.alternatives} == {"stem 1"}


@pytest.mark.parametrize("seed", [1, 3])
def test_of_two_files_with_the_same_pause_either_is_told_but_once(seed: int) -> None:
    generator = np.random.default_rng(400 + seed)
    parts = [
        wide(play(generator, FRAMES, 48_000) + 1e-3 * generator.normal(size=FRAMES), 0.1)
        for play in (_voice, _pad, _keys)
    ]
    in_mix = [silenced(parts[0], 30_000, 60_000), *parts[1:]]
    delivered = [in_mix[0], silenced(parts[1], 30_000, 60_000), parts[2]]
    (cause,) = outcome_of(total(in_mix), delivered).causes
    assert {cause.file, *(other.file for other in cause.alternatives)} >= {"stem 2"}
