"""Two sound files joined end to end: the second is told, whatever the containers are."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from tests.containers import other_builder as other
from tests.containers.riff_builder import chunk, fmt, header_of, riff, sound

KINDS = ("WAV", "RF64", "AIFF", "CAF", "W64", "FLAC")


def recording(kind: str, seed: int, frames: int) -> bytes:
    values = np.random.default_rng(seed).integers(-(2**31), 2**31, (frames, 2)).astype(np.int32)
    return other.library_file(kind, "PCM_24", values)


@pytest.mark.parametrize(("first", "second"), [*product(KINDS, KINDS)])
def test_a_second_file_behind_the_first_is_told(first: str, second: str) -> None:
    """Of what the second holds nothing is measured or rewritten: nobody here can know if it counts.

    Both are written by the reference library (libsndfile).
    """
    front = recording(first, 1, 1000)
    header = header_of(front + recording(second, 2, 2000), "take")
    told = [fault for fault in header.faults if fault.severity != "note"]
    assert [(fault.check, fault.code, fault.severity, fault.repair) for fault in told] == [
        ("header", "second-stream", "fail", None)
    ]
    assert f"from byte {len(front)} on" in told[0].message
    assert second in told[0].message
    assert header.frames == 1000
    assert "whole" not in told[0].message


def test_a_second_file_that_the_outer_size_counts_in_is_told() -> None:
    whole = riff(fmt(), chunk(b"data", sound(480)))
    content = riff(fmt(), chunk(b"data", sound(480)), size=2 * len(whole) - 8) + whole
    assert [fault.code for fault in header_of(content).faults] == ["second-stream"]


def test_a_chunk_that_only_has_such_a_name_is_no_second_file() -> None:
    content = riff(fmt(), chunk(b"data", sound(480)), chunk(b"RIFF", b"LIST of something"))
    assert "second-stream" not in {fault.code for fault in header_of(content).faults}
