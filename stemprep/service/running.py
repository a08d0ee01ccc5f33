"""One job from its claim to its end; after a kill at any moment, doing it again ends the same way.

What is published is decided by two records: name and tag manifest hash are in the store before
the package appears, and ``published`` after it did. So after a restart the same hash at the
destination means that it is done; anything else, that nobody has seen it yet.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from stemprep.app.deliver import Terms, deliver_prepared
from stemprep.app.order import Order
from stemprep.app.prepared import prepared_drop
from stemprep.engine import Engine
from stemprep.errors import DeliveryError, StemprepError
from stemprep.model.report import Report
from stemprep.model.rule import DeliverySpec
from stemprep.model.service import Inbox, ServiceConfig
from stemprep.package import replicate, verify_package
from stemprep.service.afterwards import archive_drop, keep_inventory
from stemprep.service.closed import ClosedError, placed, unread_in
from stemprep.service.drops import fingerprint_now
from stemprep.service.jobs import Job, State
from stemprep.service.limits import require_size, require_within
from stemprep.service.names import INCOMING
from stemprep.service.ordering import Ordering, package_of, tag_hash
from stemprep.service.outcomes import ChangedError, KnownError, StoppedError, is_about_the_drop
from stemprep.service.results import Results
from stemprep.service.store import Store
from stemprep.spec import load_spec, shipped_specs
from stemprep.units import seconds_from_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Runner:
    """Runs jobs; may be shared between threads.

    engine:      None: small drops in this process, others in worker processes.
    clock:       seconds since 1970.
    is_stopping: whether running jobs are to end as soon as they can.
    """

    config: ServiceConfig
    store: Store
    engine: Engine | None
    clock: Callable[[], float]
    is_stopping: Callable[[], bool]

    def run(self, job: Job) -> None:
        """Bring a claimed job as far as it goes, and have the store say how far that is.

        Raises DeliveryError where the store itself refuses; the claim then runs out.
        """
        try:
            inbox = self._inbox(job)
            if job.state == "running":
                job = self._publish(job, inbox)
            if job.state == "published":
                self._finish(job, inbox)
        except ChangedError as found:
            state: State = "gone" if found.is_gone else "changed"
            self.store.move(job.job, state, self.clock(), expected=("running",))
        except ClosedError as found:  # it is taken again once it can be read
            self.store.move(
                job.job, "arriving", self.clock(), expected=("running",),
                reason=placed(job.drop, found.reason), fingerprint="", lease_until_s=0.0,
            )  # fmt: skip
        except StoppedError:
            self._let_wait(job, "the service was told to end while it was worked on", wait_s=0.0)
        except Exception as error:  # whatever it is, the job and the others go on
            self._fail(job, error)

    # To the published package

    def _publish(self, job: Job, inbox: Inbox) -> Job:
        """Deliver or refuse; returns the job as it then stands in the store."""
        if job.tag_sha256 and tag_hash(package_of(job)) == job.tag_sha256:
            self._complete(job, inbox)
            return self._published(job, {})
        if job.destination != str(inbox.deliver_to[0]):  # the config has changed meanwhile
            self.store.set_fields(job.job, destination=str(inbox.deliver_to[0]))
            job = self._again(job)
        self._require_unchanged(job, inbox)
        spec = load_spec(spec_of(job))
        results = self._results(job, inbox, spec)
        ordering = Ordering(self.store, job)

        def before_publishing(report: Report, order: Order, tag_sha256: str) -> None:
            self._require_unchanged(job, inbox)
            self._require_going_on()
            known = replace(report, package=str(Path(job.destination) / order.name))
            results.prepare_receipt(known)
            fields = {**ordering.decided, **_told(report), "tag_sha256": tag_sha256}
            self.store.set_fields(job.job, **fields)

        terms = Terms(
            job=f"{self.store.service_id}-{job.job}",
            order=ordering,
            before_publishing=before_publishing,
        )
        try:
            report = self._deliver(job, inbox, spec, terms)
        except KnownError as known:
            return self._published(job, self._fields_of(known, ordering))
        except StemprepError as error:
            if not is_about_the_drop(error):
                raise
            report = results.report_on(error)
        if report.package is None:
            self._refuse(job, inbox, results, report)
            return self._again(job)
        tag_sha256 = tag_hash(Path(report.package))
        return self._published(job, {"tag_sha256": tag_sha256})

    def _refuse(self, job: Job, inbox: Inbox, results: Results, report: Report) -> None:
        self._require_unchanged(job, inbox)
        reason = unread_in(job.drop) or results.headline(report)
        try:
            results.refuse(report)
        except OSError as error:  # an inbox that cannot be written to is no reason to go on
            if job.attempts + 1 < self.config.retries.attempts:
                raise
            reason += f" (no report could be put beside the drop: {error.strerror})"
        self.store.move(
            job.job, "refused", self.clock(), expected=("running",), notice="refused",
            reason=reason, **_told(report),
        )  # fmt: skip

    def _deliver(self, job: Job, inbox: Inbox, spec: DeliverySpec, terms: Terms) -> Report:
        def on_progress(done: int, total: int, path: str) -> None:
            self._require_going_on()

        require_size(job.size_bytes, self.config.limits)
        with prepared_drop(
            job.drop,
            spec_of(job),
            engine=self.engine,
            on_progress=on_progress,
            unpack_into=self._unpacking(job, inbox),
            admit=partial(require_within, limits=self.config.limits),
            is_link_followed=False,
        ) as prepared:
            if inbox.after == "archive":
                keep_inventory(self.store.state, job, prepared.inspection)
            return deliver_prepared(
                prepared, inbox.deliver_to, terms=terms, engine=self.engine, on_progress=on_progress
            )

    def _unpacking(self, job: Job, inbox: Inbox) -> Path:
        """Where a zip is unpacked: swept after a kill, and seen by all machines that read it."""
        is_shared = self.config.engine == "dask"
        place = inbox.deliver_to[0] if is_shared else self.config.state
        return place / f"{INCOMING}{self.store.service_id}-{job.job}-unpacked"

    def _complete(self, job: Job, inbox: Inbox) -> None:
        """Bring a package that was visible before a kill to all destinations, and prove it."""
        package = package_of(job)
        for place in inbox.deliver_to:
            if tag_hash(place / job.package) != job.tag_sha256:
                replicate(package, place, f"{self.store.service_id}-{job.job}")
            proof = verify_package(place / job.package)
            if not (proof.is_whole and proof.is_complete):
                first = proof.damages[0].message if proof.damages else "it is incomplete"
                raise DeliveryError(
                    f"{place / job.package}: published, but reading it back failed: {first}; "
                    "check that disk, move the package away and have the job done again"
                )

    def _published(self, job: Job, fields: dict[str, Any]) -> Job:
        self.store.move(
            job.job, "published", self.clock(), expected=("running",), attempts=0, **fields
        )
        return self._again(job)

    def _again(self, job: Job) -> Job:
        known = self.store.job(job.job)
        assert known is not None, "jobs are never deleted"
        return known

    # After that

    def _finish(self, job: Job, inbox: Inbox) -> None:
        """Receipt beside the drop, then the drop to the archive where that is wanted."""
        spec = load_spec(spec_of(job))
        self._results(job, inbox, spec).deliver(job)
        reason = ""
        if inbox.after == "archive":
            reason = archive_drop(self.store, job, inbox)
        self.store.move(
            job.job, "delivered", self.clock(), expected=("published",),
            reason=reason or job.reason, notice="delivered", lease_until_s=0.0,
        )  # fmt: skip
        self._results(job, inbox, spec).forget()

    # When it does not go on

    def _fail(self, job: Job, error: Exception) -> None:
        """A fault of the machine or ours: wait and try again, at last set it aside."""
        current = self._again(job)
        attempts = current.attempts + 1
        reason = str(error) or type(error).__name__
        if not isinstance(error, StemprepError | OSError):
            reason = f"a fault of stemprep, not of the drop: {type(error).__name__}: {reason}"
        self._keep_trace(job, error)
        now_s = self.clock()
        retries = self.config.retries
        if attempts < retries.attempts:
            self._let_wait(job, reason, wait_s=retries.wait_s(attempts), attempts=attempts)
        elif current.state == "published":
            self.store.move(
                job.job, "delivered", now_s, expected=("published",), notice="delivered",
                reason=f"the package is published; after that: {reason}", attempts=attempts,
            )  # fmt: skip
        else:
            self.store.move(
                job.job, "set-aside", now_s, expected=("running",), notice="set-aside",
                reason=reason, attempts=attempts, lease_until_s=0.0,
            )  # fmt: skip

    def _keep_trace(self, job: Job, error: Exception) -> None:
        folder = results_folder(self.store.state, job.job)
        trace = "".join(traceback.format_exception(error))
        with suppress(OSError):  # the fault that is told may be a full disk
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "fault.txt").write_text(trace, errors="backslashreplace")

    def _let_wait(self, job: Job, reason: str, *, wait_s: float, **fields: Any) -> None:
        now_s = self.clock()
        known = self._again(job)
        state: State = "published" if known.state == "published" else "waiting"
        self.store.move(
            job.job, state, now_s, expected=("running", "published"), reason=reason,
            not_before_s=now_s + wait_s, lease_until_s=0.0, **fields,
        )  # fmt: skip

    # What all of this rests on

    def _require_unchanged(self, job: Job, inbox: Inbox) -> None:
        """Raise ChangedError unless the drop is what was announced; OSError where none can tell."""
        found = fingerprint_now(job.drop, inbox.ready_marker)
        if not found:
            next(inbox.path.iterdir(), None)  # an inbox that cannot be listed is no lost drop
        if found != job.fingerprint:
            raise ChangedError(not found)

    def _require_going_on(self) -> None:
        if self.is_stopping():
            raise StoppedError

    def _inbox(self, job: Job) -> Inbox:
        for inbox in self.config.inboxes:
            if inbox.path == job.inbox:
                return inbox
        raise DeliveryError(
            f"{job.inbox}: is no inbox of the config any more; put it back, or give the job up"
        )

    def _results(self, job: Job, inbox: Inbox, spec: DeliverySpec) -> Results:
        label = spec.name if len(inbox.specs) > 1 else ""
        return Results(
            store=self.store,
            job=job,
            spec=spec,
            label=label,
            folder=results_folder(self.store.state, job.job),
        )

    def _fields_of(self, known: KnownError, ordering: Ordering) -> dict[str, Any]:
        earlier = known.earlier
        return {
            **ordering.decided,
            "package": earlier.package,
            "number": earlier.number,
            "tag_sha256": earlier.tag_sha256,
            "verdict": earlier.verdict,
            "audio_s": earlier.audio_s,
            "reason": f"holds the same as job {earlier.job}: no new package was made",
        }


def results_folder(state: Path, number: int) -> Path:
    """Where the service keeps what it has to say of a job."""
    return state / "results" / str(number)


def spec_of(job: Job) -> str | Path:
    """The spec as ``load_spec`` takes it."""
    return job.spec if job.spec in shipped_specs() else Path(job.spec)


def _told(report: Report) -> dict[str, Any]:
    """What the store is to know of a report."""
    files = report.measured.files
    sounds = ((file.facts.header.frames, file.facts.format) for file in files)
    audio_s = sum(
        seconds_from_samples(frames, form.sample_rate_hz)
        for frames, form in sounds
        if form is not None and frames
    )
    return {"verdict": report.verdict, "audio_s": float(audio_s)}
