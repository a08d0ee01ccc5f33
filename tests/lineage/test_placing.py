"""Where a new file lies by what it says of itself; lags that several share."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from stemprep.lineage.placing import Timeline, shared_offset, stated_start
from tests.checks.returns import GUITAR, SESSION

HOUR = 3_600 * 48_000
LINE = Timeline(form=SESSION, start_samples=HOUR, frames=20 * 48_000)


@pytest.mark.parametrize(
    ("rate_hz", "stamp", "start_s", "placed_by"),
    [
        (48_000, HOUR, 0, "time-reference"),
        (48_000, HOUR + 192_000, 4, "time-reference"),
        (48_000, HOUR - 48_000, -1, "time-reference"),
        (44_100, 3_602 * 44_100, 2, "time-reference"),
        (44_100, 3_602 * 48_000, 2, "time-reference"),
        (48_000, 0, 0, "file-start"),
        (48_000, None, 0, "file-start"),
        (48_000, 2 * HOUR, 3_600, "unknown"),
    ],
)
def test_time_references_count_at_the_files_own_rate(
    rate_hz: int, stamp: int | None, start_s: int, placed_by: str
) -> None:
    """EBU Tech 3285: samples since midnight. The fifth was counted at the session's rate."""
    form = replace(SESSION, sample_rate_hz=rate_hz)
    stated = stated_start(form, 10 * rate_hz, stamp, LINE)
    assert (stated.start_s, stated.placed_by) == (Fraction(start_s), placed_by)


def test_a_session_that_says_nothing_leaves_the_file_start() -> None:
    line = replace(LINE, start_samples=None)
    stated = stated_start(SESSION, 48_000, HOUR, line)
    assert stated.placed_by == "file-start"
    assert stated.basis == f"{stated.words}, so it is taken to begin with the session"


def test_two_takes_that_are_equally_late_share_an_offset() -> None:
    first = replace(GUITAR, late_samples=1_024)
    second = replace(GUITAR, file="Horn.wav", late_samples=1_030)
    found = shared_offset([first, second])
    assert found is not None
    assert found.files == ("Guitar OD.wav", "Horn.wav")
    assert found.samples in (1_024, 1_030)


@pytest.mark.parametrize("others", [[], [None], [0], [500], [0, 1_024]])
def test_one_late_take_among_others_is_no_offset(others: list[int | None]) -> None:
    takes = [replace(GUITAR, file=f"{n}.wav", late_samples=lag) for n, lag in enumerate(others)]
    assert shared_offset([replace(GUITAR, late_samples=1_024), *takes]) is None


def test_takes_that_are_all_on_time_have_no_offset() -> None:
    assert shared_offset([GUITAR, replace(GUITAR, file="Horn.wav", late_samples=3)]) is None
