"""A job: one state of one drop, delivered by one spec; and the states that it goes through.

``arriving`` drops still move, or are held back for the reason that is told. What is ``changed`` has
a job of its own with the new state. ``TRANSITIONS`` is the whole of how jobs go on: the store makes
no other step.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypedDict, get_args

from stemprep.model.service import NoticeKind

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One step of a job: who has it made, from which states to which, and when.

    before: empty where the job begins. notice: what people are sent with it; "" for nothing.
    """

    by: Literal["enqueue", "service", "runner", "person"]
    before: tuple[State, ...]
    after: State
    when: str
    notice: NoticeKind | Literal[""] = ""


Way = Literal[
    "announce", "add", "receive", "hold_back", "replace", "miss",
    "claim", "take_back",
    "publish", "deliver", "refuse", "wait", "wait_published", "set_aside",
    "close_changed", "close_gone", "wait_for_access",
    "retry", "give_up",
]  # fmt: skip

TRANSITIONS: Mapping[Way, Transition] = {
    "announce": Transition(
        by="enqueue", before=(), after="arriving", when="a drop lies in an inbox, or cannot be read"
    ),
    "add": Transition(
        by="enqueue", before=(), after="waiting", notice="received",
        when="a drop is whole and still, and no job waits for that",
    ),
    "receive": Transition(
        by="enqueue", before=("arriving",), after="waiting", notice="received",
        when="the drop is whole and still",
    ),
    "hold_back": Transition(
        by="enqueue", before=("arriving",), after="arriving", notice="held-back",
        when="the drop cannot be read, and that lasts",
    ),
    "replace": Transition(
        by="enqueue", before=("arriving", "waiting", "set-aside"), after="changed",
        when="the drop has a newer state, with a job of its own",
    ),
    "miss": Transition(
        by="enqueue", before=("arriving",), after="gone",
        when="the drop left before it was whole and still",
    ),
    "claim": Transition(
        by="service", before=("waiting",), after="running", when="its turn has come"
    ),
    "take_back": Transition(
        by="service", before=("running",), after="waiting",
        when="the service was killed, or ended, while it was worked on",
    ),
    "publish": Transition(
        by="runner", before=("running",), after="published",
        when="the package lies whole at its first destination",
    ),
    "deliver": Transition(
        by="runner", before=("published",), after="delivered", notice="delivered",
        when="all copies, the receipt and the archive are done",
    ),
    "refuse": Transition(
        by="runner", before=("running",), after="refused", notice="refused",
        when="the drop is bad; its report says what to fix",
    ),
    "wait": Transition(
        by="runner", before=("running",), after="waiting",
        when="a fault of the machine, a place that is away, or the service's end",
    ),
    "wait_published": Transition(
        by="runner", before=("published",), after="published", when="the same, after publishing"
    ),
    "set_aside": Transition(
        by="runner", before=("running", "published"), after="set-aside", notice="set-aside",
        when="the machine failed too often; a person looks",
    ),
    "close_changed": Transition(
        by="runner", before=("running",), after="changed", when="the drop has changed meanwhile"
    ),
    "close_gone": Transition(
        by="runner", before=("running",), after="gone", when="the drop is gone"
    ),
    "wait_for_access": Transition(
        by="runner", before=("running",), after="arriving", when="the drop cannot be read any more"
    ),
    "retry": Transition(
        by="person", before=("refused", "set-aside", "given-up", "waiting"), after="waiting",
        when="`stemprep jobs retry`",
    ),
    "give_up": Transition(
        by="person", before=("arriving", "waiting", "refused", "set-aside"), after="given-up",
        when="`stemprep jobs give-up`",
    ),
}  # fmt: skip
RETRIABLE: frozenset[State] = frozenset(TRANSITIONS["retry"].before)
"""What a person may have done again."""


def transition_table() -> str:
    """The transitions as the contributors' guide shows them, in Markdown."""
    lines = ["| step | by | from | to | when | notice |", "|---|---|---|---|---|---|"]
    for way, step in TRANSITIONS.items():
        before = ", ".join(step.before) or "(none yet)"
        lines.append(
            f"| `{way}` | {step.by} | {before} | {step.after} | {step.when} | {step.notice} |"
        )
    return "\n".join(lines)


class JobColumns(TypedDict, total=False):
    """What is written into a job besides its state; each as the field of that name in ``Job``."""

    reason: str
    fingerprint: str
    content: str
    files: int
    size_bytes: int
    not_before_s: float
    attempts: int
    interruptions: int
    lease_until_s: float
    package: str
    destination: str
    tag_sha256: str
    stem: str
    is_titled: int
    number: int
    verdict: str
    audio_s: float
    archived_as: bytes


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
