"""Requests to end (SIGTERM, Ctrl-C, an alarm) amid work in worker processes: obeyed in order.

What a signal handler raises comes up between any two steps. Amid a fork Python drops it, and the
process goes on as if nobody had asked; amid the pool's own bookkeeping it leaves locks held and
pipes half closed.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

_SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGALRM)


class EndRequests:
    """Signals that came while workers ran, until the handlers of before can be called.

    on_request: called by the signal handler, in the main thread, between any two steps of it.
    """

    def __init__(self) -> None:
        self.on_request: Callable[[], object] = _do_nothing
        self._handlers: dict[int, Callable[..., object]] = {}
        self._numbers: list[int] = []
        self._is_obeyed_at_once = False

    def obey(self) -> None:
        """Call the handlers of the signals that came: they raise what ends the command."""
        while self._numbers:
            number = self._numbers.pop(0)
            self._handlers[number](number, None)

    @contextmanager
    def obeyed_at_once(self) -> Iterator[None]:
        """Keep nothing during work that may wait for long and holds nothing of a pool."""
        self._is_obeyed_at_once = True
        try:
            self.obey()
            yield
        finally:
            self._is_obeyed_at_once = False

    def defer(self) -> None:
        """Take the signals over from the handlers of before; one that is ignored stays so."""
        for number in _SIGNALS:
            handler = signal.getsignal(number)
            if callable(handler):  # neither ignored nor left to the system
                self._handlers[number] = handler
                signal.signal(number, self._on_signal)

    def restore(self) -> None:
        """Give the signals back."""
        for number, handler in self._handlers.items():
            signal.signal(number, handler)

    def _on_signal(self, number: int, frame: object) -> None:
        if self._is_obeyed_at_once:
            self._handlers[number](number, frame)
        elif number not in self._numbers:
            self._numbers.append(number)
            self.on_request()


@contextmanager
def deferred_end_requests() -> Iterator[EndRequests]:
    """Keep requests to end until ``obey`` is called, and obey what is left at the end.

    Other threads than the main one get no signals: nothing is kept there.
    """
    requests = EndRequests()
    if threading.current_thread() is not threading.main_thread():
        yield requests
        return
    requests.defer()
    try:
        yield requests
    finally:
        requests.restore()
        requests.obey()


def _do_nothing() -> None:
    """Nobody waits."""
