"""What a person has done with jobs: looked for, done again, given up. Works beside the service."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from stemprep.errors import UsageError
from stemprep.service.jobs import RETRIABLE, Job, State
from stemprep.service.store import Store

_GIVEN_UP: tuple[State, ...] = ("arriving", "waiting", "refused", "set-aside")
_WHY_NOT = {
    "running": "is being worked on; wait until that ends",
    "arriving": "still arrives; it is taken up by itself",
    "published": "is published; the rest follows by itself",
    "delivered": "was delivered; change the drop, and it is delivered anew",
    "changed": "was closed, because its drop has changed; the drop has a newer job",
    "gone": "was closed, because its drop is gone; drop it again",
    "given-up": "was given up already",
}


def found_job(store: Store, number: int) -> Job:
    """The job of a number; UsageError where there is none."""
    job = store.job(number)
    if job is None:
        raise UsageError(f"there is no job {number}; `stemprep jobs` lists them")
    return job


def kept_results(state: Path, number: int) -> list[Path]:
    """What the service keeps of a job: report, receipt, inventory, fault."""
    folder = state / "results" / str(number)
    return sorted(folder.iterdir()) if folder.is_dir() else []


def retry(store: Store, number: int, now_s: float) -> None:
    """Have a job done again now; UsageError where that cannot be."""
    job = found_job(store, number)
    latest = store.latest(job.inbox, job.raw_name, job.spec)
    if latest is not None and latest.job != number:
        raise UsageError(
            f"job {number}: the drop has changed since; job {latest.job} has taken its place"
        )
    is_moved = job.state in RETRIABLE and store.move(
        number, "waiting", now_s, expected=tuple(RETRIABLE), reason="a person wants it done again",
        attempts=0, interruptions=0, not_before_s=0.0, lease_until_s=0.0,
    )  # fmt: skip
    if not is_moved:
        raise UsageError(f"job {number} {_why_not(store, number)}")


def retry_all(store: Store, states: Sequence[State], now_s: float) -> tuple[list[int], list[str]]:
    """Have all jobs in these states done again: numbers of those that are, why others are not.

    Raises UsageError for a state whose jobs cannot be done again.
    """
    for state in states:
        if state not in RETRIABLE:
            can = ", ".join(sorted(RETRIABLE))
            raise UsageError(f"jobs that are {state} cannot be done again; those can: {can}")
    numbers, refusals = [], []
    for job in store.jobs(tuple(states)):
        try:
            retry(store, job.job, now_s)
            numbers.append(job.job)
        except UsageError as error:
            refusals.append(str(error))
    return numbers, refusals


def give_up(store: Store, number: int, now_s: float) -> None:
    """Have the service do no more about a job; its drop stays. UsageError where that cannot be."""
    found_job(store, number)
    if not store.move(
        number, "given-up", now_s, expected=_GIVEN_UP, reason="a person has given it up"
    ):
        raise UsageError(f"job {number} {_why_not(store, number)}")


def _why_not(store: Store, number: int) -> str:
    return _WHY_NOT.get(found_job(store, number).state, "has just changed its state; look again")
