"""One fault of the disk at a chosen write, fsync or commit, whatever file that is for.

Chosen by its number, or by the way to it: the first of those that the same lines of the project
come to, so that neither the order of threads nor the number of files matters.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

from stemprep.errors import DeliveryError
from stemprep.service import store
from stemprep.work import write as work_write

Way = tuple[object, ...]
"""What is called, and the lines of the project that run then, innermost first."""


class Fault:
    """Sees writes, fsyncs and commits; the one of a number or way fails with ``errno``."""

    def __init__(self, code: int = 0, *, number: int = -1, way: Way | None = None) -> None:
        self.ways: list[Way] = []
        self.is_met = False
        self._code = code
        self._number = number
        self._way = way
        self._lock = threading.Lock()

    def failing(self, function: Callable[..., Any], error: type[Exception]) -> Callable[..., Any]:
        def called(*arguments: Any, **named: Any) -> Any:
            with self._lock:
                is_now = self._is_its_turn((error, function.__name__, *_lines_of_the_project()))
            if is_now:
                if error is OSError:
                    raise OSError(self._code, os.strerror(self._code))
                raise error(f"the job store refused ({os.strerror(self._code)})")
            return function(*arguments, **named)

        return called

    def _is_its_turn(self, way: Way) -> bool:
        is_now = len(self.ways) == self._number or (way == self._way and not self.is_met)
        self.ways.append(way)
        self.is_met |= is_now
        return is_now

    def ways_of_errors(self) -> list[Way]:
        """Each way once to what can fail with an errno."""
        return [way for way in dict.fromkeys(self.ways) if way[0] is OSError]


def _lines_of_the_project() -> Iterator[tuple[str, int]]:
    frame: FrameType | None = sys._getframe()
    while frame is not None:
        if "/stemprep/" in frame.f_code.co_filename:
            yield frame.f_code.co_name, frame.f_lineno
        frame = frame.f_back


@contextmanager
def injected(fault: Fault) -> Iterator[None]:
    """Have the fault happen to whatever this process writes."""
    places: list[tuple[Any, str, type[Exception]]] = [
        (os, "write", OSError),
        (os, "fsync", OSError),
        (work_write.HashedFile, "write", OSError),
        (store.Store, "transaction", DeliveryError),
    ]
    before = [(place, name, getattr(place, name)) for place, name, _ in places]
    for place, name, error in places:
        setattr(place, name, fault.failing(getattr(place, name), error))
    try:
        yield
    finally:
        for place, name, function in before:
            setattr(place, name, function)
