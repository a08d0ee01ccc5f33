"""From what was found in the inboxes to jobs: each state of a drop by each spec once."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stemprep.model.service import Inbox, ServiceConfig
from stemprep.service.inbox.arrivals import Drop, Held
from stemprep.service.inbox.unreadable import placed, words_without_place
from stemprep.service.jobs import Job, State, Step
from stemprep.service.places import AwayError, Places
from stemprep.service.result_files import is_there
from stemprep.service.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Enqueuer:
    """Makes jobs of drops."""

    config: ServiceConfig
    store: Store
    places: Places

    def announce(self, drop: Drop, now_s: float) -> None:
        """Note a drop that was never seen before; it may still grow, so nobody is told its size."""
        for inbox, spec in self._specs(drop):
            latest = self.store.latest(inbox.path, _raw(drop), spec)
            if latest is None:
                self.store.add(self._job(drop, inbox, spec, now_s, "arriving"))
            elif latest.state == "arriving" and latest.reason and not drop.is_closed:
                self.store.set_fields(latest.job, reason="")

    def take(self, drop: Drop, now_s: float) -> None:
        """Have a drop that is whole and still worked on, unless that was done in this state."""
        for inbox, spec in self._specs(drop):
            latest = self.store.latest(inbox.path, _raw(drop), spec)
            if latest is not None and _is_known(latest, drop):
                continue
            if latest is not None and latest.state == "arriving":
                self.store.receive(
                    latest.job, now_s,
                    fingerprint=drop.fingerprint, files=drop.files, size_bytes=drop.size_bytes,
                )  # fmt: skip
                continue
            if latest is not None:
                self.store.replace(latest.job, now_s)
            self.store.add(self._job(drop, inbox, spec, now_s, "waiting"), notice="received")

    def hold(self, held: Held, now_s: float, *, is_lasting: bool) -> list[int]:
        """Note at a drop that still arrives why it is not taken; the numbers of its jobs.

        One that cannot be read gets a job for that, where nothing else tells what became of it,
        and people are told once where that lasts.
        """
        numbers = []
        inbox = self.config.inboxes[held.inbox_index]
        raw_name = os.fsencode(held.path.name)
        for spec in inbox.specs:
            latest = self.store.latest(inbox.path, raw_name, str(spec))
            if held.is_closed and (latest is None or _is_past(latest, held)):
                latest = self._announce_closed(held, inbox, str(spec), latest, now_s)
            if latest is not None and latest.state == "arriving":
                is_new_state = held.is_closed and is_lasting
                self._set_reason(latest, _reason(held), now_s, is_lasting=is_new_state)
                numbers.append(latest.job)
        return numbers

    def miss(self, now_s: float) -> None:
        """Close the jobs of drops that left before they were whole and still.

        In an inbox that is away nothing has left.
        """
        arriving = self.store.jobs(("arriving",))
        for inbox in {job.inbox: None for job in arriving}:
            with suppress(AwayError), self.places.opened(inbox) as home:
                for job in arriving:
                    if job.inbox == inbox and not is_there(home.descriptor, job.drop.name):
                        self.store.miss(job.job, now_s)

    def _announce_closed(
        self, held: Held, inbox: Inbox, spec: str, latest: Job | None, now_s: float
    ) -> Job:
        """Add a job for a drop of which nothing but its name is known."""
        if latest is not None:
            self.store.replace(latest.job, now_s)
        drop = Drop(
            inbox_index=held.inbox_index,
            name=held.name,
            path=held.path,
            fingerprint="",
            files=0,
            size_bytes=0,
        )
        return self.store.add(self._job(drop, inbox, spec, now_s, "arriving"))

    def _set_reason(self, job: Job, reason: str, now_s: float, *, is_lasting: bool) -> None:
        """Put the reason into the list of jobs; what lasts, into its history too, with a notice."""
        is_in_history = is_lasting and any(map(_is_of_closed, self.store.steps(job.job)))
        if is_lasting and not is_in_history:
            self.store.hold_back(job.job, now_s, reason)
        elif job.reason != reason:
            self.store.set_fields(job.job, reason=reason)

    def _specs(self, drop: Drop) -> list[tuple[Inbox, str]]:
        inbox = self.config.inboxes[drop.inbox_index]
        return [(inbox, str(spec)) for spec in inbox.specs]

    def _job(self, drop: Drop, inbox: Inbox, spec: str, now_s: float, state: State) -> Job:
        return Job(
            job=0,
            inbox=inbox.path,
            name=drop.name,
            raw_name=_raw(drop),
            spec=spec,
            state=state,
            fingerprint=drop.fingerprint if state == "waiting" else "",
            files=drop.files,
            size_bytes=drop.size_bytes,
            received_s=now_s,
            changed_s=now_s,
            destination=str(inbox.deliver_to[0]),
        )


def _raw(drop: Drop) -> bytes:
    return os.fsencode(Path(drop.path).name)


def _is_known(latest: Job, drop: Drop) -> bool:
    """Tell whether the drop was taken in this state; one that was away in between was not."""
    return latest.fingerprint == drop.fingerprint and latest.state not in ("changed", "gone")


def _is_past(latest: Job, held: Held) -> bool:
    """Tell whether the newest job of a name says nothing of what lies there closed now.

    A delivered drop that is only closed afterwards, as it is, keeps nobody waiting.
    """
    if latest.state in ("changed", "gone", "refused"):
        return True
    return held.is_other and latest.state in ("delivered", "set-aside", "given-up")


def _is_of_closed(step: Step) -> bool:
    return step.state == "arriving" and bool(words_without_place(step.reason))


def _reason(held: Held) -> str:
    """Why a drop is not taken, with the places that it is about, as the list of jobs has it."""
    if held.is_closed:
        return placed(held.path, held.reason)
    return f"{held.reason} ({held.detail})" if held.detail else held.reason
