"""Which samples count as digital silence, against a plain definition on the whole signal."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stemprep.prepare.silence import MIN_RUN_FRAMES, with_silence

RUN_LENGTHS = st.lists(
    st.tuples(st.booleans(), st.sampled_from([1, 2, 30, 63, 64, 65, 200])), min_size=1, max_size=8
)


def channel(runs: list[tuple[bool, int]]) -> np.ndarray:
    return np.concatenate([np.full(length, 0.0 if quiet else 0.5) for quiet, length in runs])


def silent_by_definition(samples: np.ndarray) -> np.ndarray:
    mask = np.zeros(len(samples), dtype=bool)
    start = 0
    while start < len(samples):
        end = start
        while end < len(samples) and samples[end] == samples[start]:
            end += 1
        is_edge = start == 0 or end == len(samples)
        if samples[start] == 0 and (is_edge or end - start >= MIN_RUN_FRAMES):
            mask[start:end] = True
        start = end
    return mask


@given(
    left=RUN_LENGTHS, right=RUN_LENGTHS, sizes=st.lists(st.integers(1, 90), min_size=1, max_size=4)
)
def test_mask_is_the_definition_for_any_blocks(
    left: list[tuple[bool, int]], right: list[tuple[bool, int]], sizes: list[int]
) -> None:
    frames = min(len(channel(left)), len(channel(right)))
    samples = np.stack([channel(left)[:frames], channel(right)[:frames]])
    blocks, start = [], 0
    while start < frames:
        size = sizes[len(blocks) % len(sizes)]
        blocks.append(samples[:, start : start + size])
        start += size
    marked = list(with_silence(iter(blocks), 2))
    assert np.array_equal(np.concatenate([block for block, _ in marked], axis=1), samples)
    mask = np.concatenate([mask for _, mask in marked], axis=1)
    assert np.array_equal(mask, np.stack([silent_by_definition(row) for row in samples]))
