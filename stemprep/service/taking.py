"""From what was found in the inboxes to jobs: each state of a drop by each spec once."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from stemprep.model.service import Inbox, ServiceConfig
from stemprep.service.arrivals import Drop, Held
from stemprep.service.jobs import Job, State
from stemprep.service.store import Store

_TO_COME: tuple[State, ...] = ("arriving", "waiting", "set-aside")


@dataclass(frozen=True, slots=True, kw_only=True)
class Taking:
    """Makes jobs of drops."""

    config: ServiceConfig
    store: Store

    def announce(self, drop: Drop, now_s: float) -> None:
        """Note a drop that was never seen before; it may still grow, so nobody is told its size."""
        for inbox, spec in self._specs(drop):
            if self.store.latest(inbox.path, _raw(drop), spec) is None:
                self.store.add(self._job(drop, inbox, spec, now_s, "arriving"))

    def take(self, drop: Drop, now_s: float) -> None:
        """Have a drop that is whole and still worked on, unless that was done in this state."""
        for inbox, spec in self._specs(drop):
            latest = self.store.latest(inbox.path, _raw(drop), spec)
            if latest is not None and _is_known(latest, drop):
                continue
            if latest is not None and latest.state == "arriving":
                self.store.move(
                    latest.job, "waiting", now_s, expected=("arriving",), notice="received",
                    fingerprint=drop.fingerprint, files=drop.files, size_bytes=drop.size_bytes,
                )  # fmt: skip
                continue
            if latest is not None:
                self.store.move(latest.job, "changed", now_s, expected=_TO_COME)
            self.store.add(self._job(drop, inbox, spec, now_s, "waiting"), notice="received")

    def hold(self, held: Held) -> list[int]:
        """Note at a drop that still arrives why it is not taken; the numbers of its jobs."""
        numbers = []
        inbox = self.config.inboxes[held.inbox_index]
        for spec in inbox.specs:
            latest = self.store.latest(inbox.path, os.fsencode(held.path.name), str(spec))
            if latest is not None and latest.state == "arriving":
                told = f"{held.reason} ({held.detail})" if held.detail else held.reason
                self.store.set_fields(latest.job, reason=told)
                numbers.append(latest.job)
        return numbers

    def miss(self, now_s: float) -> None:
        """Close the jobs of drops that left before they were whole and still."""
        for job in self.store.jobs(("arriving",)):
            if not os.path.lexists(job.drop):
                self.store.move(job.job, "gone", now_s, expected=("arriving",))

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
