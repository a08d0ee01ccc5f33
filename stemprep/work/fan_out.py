"""Give one stream of blocks to several writers at once, so that it is made only once."""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Generic, TypeVar

Block = TypeVar("Block")
Result = TypeVar("Result")

_AHEAD = 2  # blocks that wait for a writer; more is only memory
_LOOK_S = 0.2  # how often is looked whether a writer that takes nothing has died


class _Stopped(Exception):  # noqa: N818 - ends a writer, is no error of its own
    """The source failed: there is nothing more to write."""


class _Tap(Generic[Block]):
    """One writer's end: an iterator over what is put in."""

    def __init__(self) -> None:
        self._blocks: queue.Queue[Block | type[_Stopped] | None] = queue.Queue(_AHEAD)

    def put(self, block: Block | type[_Stopped] | None, writer: Future[Result]) -> bool:
        """Hand a block over; False where the writer has ended and takes no more."""
        while not writer.done():
            try:
                self._blocks.put(block, timeout=_LOOK_S)
            except queue.Full:
                continue
            return True
        return False

    def __iter__(self) -> Iterator[Block]:
        while (block := self._blocks.get()) is not None:
            if isinstance(block, type):
                raise block
            yield block


def fan_out(
    source: Iterable[Sequence[Block]], writers: Sequence[Callable[[Iterator[Block]], Result]]
) -> list[Result]:
    """Run every writer on its own column of the source, each in a thread; results in their order.

    source: one block a writer at each step, made in this thread. A writer has to take all its
    blocks. Raises what the source or the first failed writer raised, after all have ended.
    """
    taps: list[_Tap[Block]] = [_Tap() for _ in writers]
    with ThreadPoolExecutor(max_workers=len(writers)) as pool:
        futures = [
            pool.submit(writer, iter(tap)) for writer, tap in zip(writers, taps, strict=True)
        ]
        try:
            _pour(source, taps, futures)
        except BaseException:
            for tap, future in zip(taps, futures, strict=True):
                tap.put(_Stopped, future)
            raise
        return [future.result() for future in futures]


def _pour(
    source: Iterable[Sequence[Block]],
    taps: Sequence[_Tap[Block]],
    futures: Sequence[Future[Result]],
) -> None:
    for blocks in source:
        for tap, block, future in zip(taps, blocks, futures, strict=True):
            if not tap.put(block, future):
                future.result()
                raise RuntimeError("a writer ended before its sound did")
    for tap, future in zip(taps, futures, strict=True):
        tap.put(None, future)
