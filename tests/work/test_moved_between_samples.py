"""A move by no whole number of samples, made by converters and formulas that are not ours."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import soxr

from stemprep.checks.original_changed import change_words
from tests.lineage.takes import RATE_HZ, Planar, filtered, rounded, take
from tests.work.test_compare_sound import compared

Change = Callable[[Planar], Planar]
START, END = 100_000, 160_000


def through_a_converter(sound: Planar, quarters: int) -> Planar:
    """Later by so many quarters of a sample: at four times the rate whole samples do it."""
    fine = soxr.resample(sound[0], RATE_HZ, 4 * RATE_HZ, quality="VHQ")
    moved = np.roll(fine, quarters)
    return rounded(soxr.resample(moved, 4 * RATE_HZ, RATE_HZ, quality="VHQ")[np.newaxis])


def by_polynomial(sound: Planar, part: float) -> Planar:
    """Later by a part of a sample, by Lagrange's cubic through four neighbours."""
    x = part + 1.0
    weights = (
        -(x - 1) * (x - 2) * (x - 3) / 6,
        x * (x - 2) * (x - 3) / 2,
        -x * (x - 1) * (x - 3) / 2,
        x * (x - 1) * (x - 2) / 6,
    )
    both = (weight * np.roll(sound, lag - 1, axis=1) for lag, weight in enumerate(weights))
    return rounded(np.asarray(sum(both)))


def in_a_piece(change: Change) -> Change:
    def changed(sound: Planar) -> Planar:
        result = sound.copy()
        result[:, START:END] = change(sound)[:, START:END]
        return result

    return changed


@lru_cache(maxsize=1)
def heard() -> Planar:
    """A take without what no converter lets through, as every recording is."""
    return through_a_converter(take(3), 0)


def told(folder: Path, change: Change) -> list[tuple[str, int, int, str]]:
    sound = heard()
    return [
        (region.kind, region.start_sample, region.end_sample, change_words(region, RATE_HZ))
        for region in compared(folder, sound, change(sound)).regions
    ]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda s: through_a_converter(s, 2), "as if moved 0.50 samples (0.010 ms) later"),
        (lambda s: through_a_converter(s, -1), "as if moved 0.25 samples (0.005 ms) earlier"),
        (lambda s: through_a_converter(s, 1_921), "as if moved 480.25 samples (10.005 ms) later"),
        (lambda s: through_a_converter(s, -19_201), "as if moved 4,800.25 samples (100.005 ms)"),
    ],
)
def test_a_piece_is_told_with_its_lag(tmp_path: Path, change: Change, words: str) -> None:
    ((kind, start, end, said),) = told(tmp_path, in_a_piece(change))
    assert kind == "processed"
    assert said.startswith(words)
    assert abs(start - START) <= 4
    assert abs(end - END) <= 4


def test_low_sound_through_a_coarser_interpolator(tmp_path: Path) -> None:
    low = filtered(filtered(filtered(heard())))
    moved = in_a_piece(lambda sound: by_polynomial(sound, 0.3))(low)
    (region,) = compared(tmp_path, low, moved).regions
    assert region.words.startswith("as if moved 0.30 samples (0.006 ms) later")


def test_the_whole_file_and_its_level(tmp_path: Path) -> None:
    change: Change = lambda sound: rounded(through_a_converter(sound, 42) * 0.5)  # noqa: E731
    ((_, start, end, words),) = told(tmp_path, change)
    assert words.startswith("as if moved 10.50 samples (0.219 ms) later, -6.02 dB; what else")
    assert re.search(r"lies 3[89] dB under it$", words)
    silence = 0.5 * RATE_HZ  # at either end, where nothing can differ
    assert start <= silence + 1_000
    assert end >= heard().shape[1] - silence - 1_000


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(filtered, id="a shelf"),
        pytest.param(lambda s: filtered(through_a_converter(s, 2)), id="a shelf, and moved"),
        pytest.param(lambda s: rounded(np.tanh(4 * s) * 0.2), id="an amplifier"),
        pytest.param(
            lambda s: rounded(s + through_a_converter(s, 1_922) * 0.3), id="an echo between samples"
        ),
        pytest.param(
            lambda s: np.hstack(
                [
                    s[:, :START],
                    through_a_converter(s, 2)[:, START : START + 30_000],
                    through_a_converter(s, -2)[:, START + 30_000 :],
                ]
            ),
            id="two ways",
        ),
    ],
)
def test_what_is_more_than_a_move_is_not_told_as_one(tmp_path: Path, change: Change) -> None:
    assert not any("as if moved" in words for *_, words in told(tmp_path, in_a_piece(change)))


def test_a_part_of_a_sample_otherwise_each_way_is_no_one_move(tmp_path: Path) -> None:
    """Two channels that moved apart."""
    sound = np.repeat(heard(), 2, axis=0)
    moved = np.vstack([through_a_converter(sound[:1], 2), through_a_converter(sound[1:], -2)])
    (region,) = compared(tmp_path, sound, moved).regions
    assert "as if moved" not in region.words
