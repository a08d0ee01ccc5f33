"""Ending a process before any step that changes a disk, as a power cut or kill -9 would."""

from __future__ import annotations

import errno
import importlib
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from stemprep.service import archive, store
from tests.service.studio import Studio, ended

publish_module = importlib.import_module("stemprep.package.publish")  # a function has its name
SYSTEM_CALLS = ("fsync", "mkdir", "rename", "unlink", "rmdir", "symlink")
KILLED = 9


class Steps:
    """Counts the steps of this process, in whatever thread, and acts before one of them."""

    def __init__(self, act: Callable[[int, str], None]) -> None:
        self.count = 0
        self._act = act
        self._lock = threading.Lock()

    def watch(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*arguments: Any, **named: Any) -> Any:
            with self._lock:
                self._act(self.count, name)
                self.count += 1
            return function(*arguments, **named)

        return watched


@contextmanager
def watched_steps(steps: Steps) -> Iterator[None]:
    """Have every step counted: what changes a disk through Python, and every commit."""
    places: list[tuple[Any, str]] = [(os, name) for name in SYSTEM_CALLS]
    places += [(publish_module, "rename_exclusively"), (archive, "rename_exclusively")]
    places += [(store.Store, "transaction")]
    before = [(place, name, getattr(place, name)) for place, name in places]
    for place, name, function in before:
        setattr(place, name, steps.watch(name, function))
    try:
        yield
    finally:
        for place, name, function in before:
            setattr(place, name, function)


def run_and_die(studio: Studio, step: int) -> bool:
    """Run the service in a forked child that dies before a step; True when it got to the end."""
    child = os.fork()
    if child == 0:

        def die(count: int, _: str) -> None:
            if count == step:
                os._exit(KILLED)

        code = 1
        try:
            with watched_steps(Steps(die)):
                code = studio.run()
        finally:
            os._exit(code)
    code = ended(child)
    assert code in (0, KILLED), code
    return code == 0


def run_and_kill(studio: Studio, after_s: float) -> bool:
    """Run the service in a forked child and kill it after a time; True when it got to the end."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            code = studio.run()
        finally:
            os._exit(code)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    code = ended(child)
    assert code in (0, -signal.SIGKILL), code
    return code == 0


@contextmanager
def archive_on_another_disk() -> Iterator[None]:
    """Have the archive refuse what is renamed into it from the inbox."""
    rename = archive.rename_exclusively

    def refusing(source: str, target: str, *, source_folder: int, target_folder: int) -> None:
        if source.startswith(".leaving-") and source_folder != target_folder:
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
        rename(source, target, source_folder=source_folder, target_folder=target_folder)

    archive.rename_exclusively = refusing
    try:
        yield
    finally:
        archive.rename_exclusively = rename
