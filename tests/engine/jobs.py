"""Jobs for the engines: well-behaved ones, and one for every way in which a worker can end."""

from __future__ import annotations

import faulthandler
import os
import signal
import time
from pathlib import Path

import numpy as np

from stemprep.errors import DeliveryError, InputError

BAD = 2
"""The job that misbehaves; all others are squared."""


def square(number: int) -> int:
    return number * number


def later_first(number: int) -> int:
    """The first jobs end last."""
    time.sleep(0.05 * max(0, 3 - number))
    return number * number


def leave(number: int) -> int:
    if number == BAD:
        os._exit(3)
    return number * number


def crash(number: int) -> int:
    if number == BAD:
        faulthandler.disable()  # the traceback would be taken for this suite's own
        os.kill(os.getpid(), signal.SIGSEGV)
    return number * number


def hang(number: int) -> int:
    if number == BAD:
        time.sleep(300)
    return number * number


def hog(number: int) -> int:
    if number == BAD:
        return int(np.ones(1 << 27).sum())  # 1 GiB
    return number * number


def refuse(number: int) -> int:
    if number == BAD:
        raise DeliveryError(f"job {number} was refused")
    time.sleep(0.01)
    return number * number


def die_once(marker: str) -> str:
    """Die while the marker is absent, leaving it; the second run alone succeeds."""
    path = Path(marker)
    if path.name.startswith("die") and not path.exists():
        path.touch()
        os._exit(1)
    return path.name


def sleep_long(pid_file: str) -> None:
    """Tell who is asleep, then sleep."""
    Path(pid_file).write_text(str(os.getpid()))
    time.sleep(300)


def interrupt_waiter(number: int) -> int:
    """Stand for a person who presses Ctrl-C while the others work."""
    if number == BAD:
        raise KeyboardInterrupt
    time.sleep(300)
    return number


def leave_beside_another(path: str) -> str:
    """``killer`` ends the process while another job of it is at work; that one takes a second."""
    folder, _, name = path.rpartition("/")
    at_work = Path(folder) / f"at-work-{os.getpid()}"
    if name == "killer":
        end_s = time.monotonic() + 2
        while not at_work.exists() and time.monotonic() < end_s:
            time.sleep(0.01)
        os._exit(3)
    at_work.touch()
    time.sleep(1)
    return name


def survive_pickling(number: int) -> int:
    raise InputError(f"{number}: an error with a place in it")


def refuse_to_start(limits: object) -> None:
    """End a worker before its first job."""
    os._exit(3)


def send_signal(asked: tuple[int, int]) -> None:
    """Stand for a person, or a system that shuts down, while the others work: (process, number)."""
    if asked[1]:
        os.kill(*asked)
    else:
        time.sleep(0.05)


def answer_at_length(number: int) -> bytes:
    """An answer that no pipe takes at once."""
    return bytes(1 << 22)


def leave_with_worker(*_: object) -> None:
    """Stand for another user of a worker who takes it down, whatever runs there."""
    os._exit(3)


def print_and_square(number: int) -> int:
    print("a library that talks to standard output")
    return number * number


def say_nothing(_: int) -> None:
    """An answer like any other."""
