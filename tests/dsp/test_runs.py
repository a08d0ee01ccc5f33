"""Runs of marked positions across chunks."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stemprep.dsp.runs import RunJoiner, RunTally


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
        found += joiner.push(places + start, part[places], start + part.size)
    found += joiner.flush()

    expected, at = [], 0
    for key, group in itertools.groupby(keys):
        length = len(list(group))
        if key:
            expected.append((at, at + length))
        at += length
    assert found == expected


def test_tally_lists_no_more_than_the_cap() -> None:
    tally = RunTally()
    for start in range(10_005):
        tally.add(3 * start, 3 * start + 2)
    assert (tally.count, tally.samples, tally.longest) == (10_005, 20_010, 2)
    assert len(tally.listed) == 10_000
