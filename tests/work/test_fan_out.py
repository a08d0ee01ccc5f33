"""One source, several writers at once: all get everything, and no failure leaves one waiting."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from stemprep.work.fan_out import fan_out


def test_every_writer_gets_its_column_in_order() -> None:
    source = ((step, -step) for step in range(50))
    assert fan_out(source, [list, sum]) == [list(range(50)), -sum(range(50))]


def _failing(blocks: Iterator[int]) -> int:
    next(blocks)
    raise OSError("disk full")


def test_a_writer_that_fails_ends_the_others() -> None:
    endless = ((step, step) for step in iter(int, 1))
    with pytest.raises(OSError, match="disk full"):
        fan_out(endless, [sum, _failing])


def test_a_source_that_fails_ends_all_writers() -> None:
    def source() -> Iterator[tuple[int, int]]:
        yield 1, 1
        raise ValueError("no more")

    with pytest.raises(ValueError, match="no more"):
        fan_out(source(), [sum, list])


def test_a_writer_that_leaves_early_is_a_fault() -> None:
    with pytest.raises(RuntimeError, match="ended before"):
        fan_out(((step,) for step in range(1000)), [next])
