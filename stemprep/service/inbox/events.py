"""Events of the file system, which only say where to look first.

Nothing depends on them: a scan finds everything without. So events that are lost, shares that send
none and limits that are reached cost time, never a drop; what cannot be watched is told once.

Only the top of an inbox is watched: one watch each, whatever lies in it, and no storm of events
while a drop is copied. A change deep in a drop that lies there is found when the inbox is next
looked through.
"""

from __future__ import annotations

import errno
import logging
import os
import threading
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Protocol

from watchdog.events import (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from stemprep.intake import display_path
from stemprep.model.service import Inbox
from stemprep.service.inbox.arrivals import Hint
from stemprep.service.inbox.drop_names import drop_name

MAX_HINTS = 1000
"""More at once, and everything is looked at."""
GATHER_S = 0.1
PROBE_S = 60.0
_WANTED: list[type[FileSystemEvent]] = [
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
]
_LIMITS = {
    # inotify(7); the first number is also that of a full disk, which this is not
    errno.ENOSPC: "the system's limit on watched folders is reached; raise "
    "fs.inotify.max_user_watches (the disk is not full)",
    errno.EMFILE: "the system's limit on watching programs is reached; raise "
    "fs.inotify.max_user_instances",
}


class NewObserver(Protocol):
    """Makes what listens to the system; another one in tests."""

    def __call__(self) -> BaseObserver:
        """Make one that is not started yet."""
        ...


class Hints:
    """Listens to the inboxes that are not polled, between ``start`` and ``close``."""

    def __init__(self, inboxes: Sequence[Inbox], new_observer: NewObserver = Observer) -> None:
        self._inboxes = inboxes
        self._new_observer = new_observer
        self._observer: BaseObserver | None = None
        self._condition = threading.Condition()
        self._hints: set[Hint] = set()
        self._is_woken = False
        self._troubles: list[str] = []
        self._logged: set[str] = set()
        self._probe_due_s = 0.0
        self._listener = _Lost(self._everything)

    def start(self) -> None:
        """Begin to listen; what cannot be watched is found in ``troubles``, never raised."""
        watched = [(index, box) for index, box in enumerate(self._inboxes) if not box.is_polled]
        if not watched:
            return
        logging.getLogger("watchdog").addHandler(self._listener)
        try:
            self._observer = self._new_observer()
            self._observer.start()
        except (OSError, RuntimeError) as error:
            self._observer = None
            self._trouble("no inbox", error)
            return
        for index, inbox in watched:
            try:
                self._observer.schedule(
                    _Handler(self, index, inbox.path),
                    str(inbox.path),
                    recursive=False,
                    event_filter=_WANTED,
                )
            except OSError as error:
                self._trouble(display_path(os.fsencode(inbox.path)), error)

    def close(self) -> None:
        """Stop listening."""
        library = logging.getLogger("watchdog")
        library.removeHandler(self._listener)
        observer, self._observer = self._observer, None
        if observer is None:
            return
        level = library.level
        library.setLevel(logging.CRITICAL)  # an event on its way while it ends is told as an error
        try:
            observer.stop()
            observer.join(timeout=5.0)
        finally:
            library.setLevel(level)

    def wake(self) -> None:
        """End a wait now; to be called from any thread."""
        with self._condition:
            self._is_woken = True
            self._condition.notify_all()

    def wait(self, timeout_s: float) -> frozenset[Hint]:
        """Wait for hints, ``wake`` or a time; return the hints, those of a burst at once."""
        self._look_after_observer()
        with self._condition:
            if not self._hints and not self._is_woken:
                self._condition.wait(timeout_s)
            if self._hints and not self._is_woken:
                self._condition.wait(min(GATHER_S, timeout_s))
            hints, self._hints, self._is_woken = frozenset(self._hints), set(), False
        return hints

    def troubles(self) -> tuple[str, ...]:
        """Why some changes are not told at once, each told once; they are found by looking."""
        with self._condition:
            new = [text for text in self._troubles if text not in self._logged]
            self._logged.update(new)
            self._troubles = []
        return tuple(dict.fromkeys(new))

    def hint(self, hint: Hint) -> None:
        """Note where something happened."""
        with self._condition:
            if len(self._hints) >= MAX_HINTS:
                self._hints = {Hint(inbox_index=index) for index in range(len(self._inboxes))}
            if Hint(inbox_index=hint.inbox_index) not in self._hints:
                self._hints.add(hint)
            self._condition.notify_all()

    def _everything(self, reason: str) -> None:
        with self._condition:
            self._troubles.append(reason)
        for index in range(len(self._inboxes)):
            self.hint(Hint(inbox_index=index))

    def _trouble(self, place: str, error: Exception) -> None:
        number = error.errno if isinstance(error, OSError) else None
        why = _LIMITS.get(number or 0, str(error))
        with self._condition:
            self._troubles.append(
                f"{place}: cannot be watched for events, so it is looked at from time to time "
                f"instead: {why}"
            )

    def _look_after_observer(self) -> None:
        """Tell when the threads that listen have ended, and listen no more."""
        observer, now_s = self._observer, time.monotonic()
        if observer is None or now_s < self._probe_due_s:
            return
        self._probe_due_s = now_s + PROBE_S
        if not observer.is_alive() or not all(emitter.is_alive() for emitter in observer.emitters):
            self.close()
            self._everything("events of the file system have ended; inboxes are looked at instead")


class _Handler(FileSystemEventHandler):
    """Turns an event's path into the name of the drop that it happened to."""

    def __init__(self, hints: Hints, index: int, inbox: Path) -> None:
        self._hints, self._index = hints, index
        self._top = os.fsencode(inbox)

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Note the names at the top of the inbox."""
        for name in self._names((event.src_path, event.dest_path)):
            self._hints.hint(Hint(inbox_index=self._index, name=name))

    def _names(self, paths: Iterable[bytes | str]) -> Iterable[str]:
        for path in paths:
            raw = os.fsencode(path)
            if raw.startswith(self._top + b"/"):
                yield drop_name(raw[len(self._top) + 1 :].split(b"/", 1)[0])


class _Lost(logging.Handler):
    """Hears what watchdog only writes into its log: that the system's queue has overflowed."""

    def __init__(self, on_loss: _OnLoss) -> None:
        super().__init__(logging.WARNING)
        self._on_loss = on_loss

    def emit(self, record: logging.LogRecord) -> None:
        """Have everything looked at."""
        if "overflow" in record.getMessage() or record.levelno >= logging.ERROR:
            self._on_loss("events of the file system were lost; all inboxes are looked at instead")


class _OnLoss(Protocol):
    def __call__(self, reason: str) -> None: ...
