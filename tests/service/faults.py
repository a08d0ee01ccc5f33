"""One fault of the disk at a chosen write, fsync or commit, whatever file that is for."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from stemprep.errors import DeliveryError
from stemprep.service import store
from stemprep.work import write as work_write


class Fault:
    """Counts writes, fsyncs and commits; the one of the given number fails with ``errno``."""

    def __init__(self, number: int, code: int) -> None:
        self.count = 0
        self.is_met = False
        self._number = number
        self._code = code

    def failing(self, function: Callable[..., Any], error: type[Exception]) -> Callable[..., Any]:
        def called(*arguments: Any, **named: Any) -> Any:
            self.count += 1
            if self.count - 1 == self._number:
                self.is_met = True
                if error is OSError:
                    raise OSError(self._code, os.strerror(self._code))
                raise error(f"the job store refused ({os.strerror(self._code)})")
            return function(*arguments, **named)

        return called


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
