"""Runs of marked positions across chunks."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.dsp.runs import RunJoiner, RunTally


@settings(deadline=None)
@given(
    keys=st.lists(st.sampled_from([0.0, 1.0, -1.0]), max_size=60),
    size=st.integers(1, 20),
)
def test_same_runs_whatever_the_chunks(keys: list[float], size: int) -> None:
    """Reference: itertools.groupby over all samples at once; 0 is not marked."""
    samples = np.array(keys)
    joiner = RunJoiner()
    found: list[tuple[int, int]] = []
    for start in range(0, len(keys), size):
        part = samples[start : start + size]
        places = np.flatnonzero(part)
        starts, ends = joiner.push(places + start, part[places], start + part.size)
        found += zip(starts.tolist(), ends.tolist(), strict=True)
    starts, ends = joiner.flush()
    found += zip(starts.tolist(), ends.tolist(), strict=True)
    assert not joiner.is_open

    expected, at = [], 0
    for key, group in itertools.groupby(keys):
        length = len(list(group))
        if key:
            expected.append((at, at + length))
        at += length
    assert found == expected


def test_tally_lists_no_more_than_the_cap() -> None:
    tally = RunTally()
    starts = 3 * np.arange(6_000)
    assert tally.add(starts, starts + 2) == 6_000
    assert tally.add(starts + 20_000, starts + 20_003) == 4_000
    assert (tally.count, tally.samples, tally.longest) == (12_000, 30_000, 3)
    assert tally.listed == len(list(tally)) == 10_000
    assert list(tally)[1] == (3, 5)


def test_tally_lists_no_more_than_wanted() -> None:
    tally = RunTally()
    starts = 3 * np.arange(10)
    assert tally.add(starts, starts + 1, 4) == 4
    assert tally.add(starts, starts + 1, -1) == 0
    assert tally.add(starts[:0], starts[:0]) == 0
    assert (tally.count, tally.listed) == (20, 4)
