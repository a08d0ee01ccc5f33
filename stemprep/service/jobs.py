"""A job: one state of one drop, delivered by one spec; and the states that it goes through.

    arriving -> waiting -> running -> published -> delivered
                   ^          |------> refused        a bad drop: its report says what to fix
                   |          |------> set-aside      the machine failed too often; a person looks
                   '----------'                       a fault of the machine: tried again later
    running -> arriving                               the drop cannot be read any more
    arriving, waiting, running -> changed | gone      the drop is no longer what was announced
    any but running -> given-up                       a person has said so

``arriving`` drops still move, or are held back for the reason that is told. What is ``changed`` has
a job of its own with the new state.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

State = Literal[
    "arriving",
    "waiting",
    "running",
    "published",
    "delivered",
    "refused",
    "set-aside",
    "changed",
    "gone",
    "given-up",
]
STATES: tuple[State, ...] = get_args(State)
OPEN: frozenset[State] = frozenset({"arriving", "waiting", "running", "published"})
"""What the service still has to do something about by itself."""
OUTDATED: frozenset[State] = frozenset({"changed", "gone"})
RETRIABLE: frozenset[State] = frozenset({"waiting", "refused", "set-aside", "given-up"})
"""What a person may have done again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One row of the store; times in seconds since 1970, None where it has not come to that.

    inbox:         folder that the drop lies in.
    name:          of the drop, safe to print; raw_name: its bytes in the file system.
    spec:          shipped name or path of the spec file.
    reason:        of the state, in words; for machine faults what to do.
    fingerprint:   of the drop as it was taken; "" while it arrives.
    content:       digest of what lies in it, by path and bytes; "" before it was measured.
    attempts:      how often it met a fault of the machine; interruptions: how often the service
                   ended while it was worked on.
    not_before_s:  it is not taken up again before.
    package:       name of the package's folder, destination: the first folder it goes to, and
    tag_sha256:    sha256 of its tag manifest; all three before it appears there.
    stem:          the package's name without its number; is_titled: whether a person gave it.
    number:        of the delivery.
    verdict:       "", pass, warn or fail.
    archived_as:   path the drop is moved to, decided before it moves; b"" while it stays.
    """

    job: int
    inbox: Path
    name: str
    raw_name: bytes
    spec: str
    state: State
    reason: str = ""
    fingerprint: str = ""
    content: str = ""
    files: int = 0
    size_bytes: int = 0
    received_s: float = 0.0
    changed_s: float = 0.0
    not_before_s: float = 0.0
    attempts: int = 0
    interruptions: int = 0
    lease_until_s: float = 0.0
    package: str = ""
    destination: str = ""
    tag_sha256: str = ""
    stem: str = ""
    is_titled: bool = False
    number: int = 0
    verdict: str = ""
    audio_s: float = 0.0
    archived_as: bytes = b""

    @property
    def drop(self) -> Path:
        """Where the drop lies."""
        return self.inbox / raw_text(self.raw_name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of a job's history."""

    job: int
    at_s: float
    state: State
    attempts: int
    reason: str


def raw_text(raw: bytes) -> str:
    """A name's bytes as Python passes them to the system."""
    return raw.decode("utf-8", "surrogateescape")
