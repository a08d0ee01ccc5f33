"""One job from its claim to its end; after a kill at any moment, doing it again ends the same way.

What is published is decided by two records: name and tag manifest hash are in the store before
the package appears, and ``published`` after it did. So after a restart the same hash at the
destination means that it is done; anything else, that nobody has seen it yet.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from stemprep.app.delivery.contents import Order
from stemprep.app.delivery.deliver import Terms, deliver_prepared
from stemprep.app.delivery.prepare import prepared_drop
from stemprep.engine import Engine
from stemprep.errors import DeliveryError, StemprepError
from stemprep.model.report import Report
from stemprep.model.rule import DeliverySpec
from stemprep.model.service import Inbox, ServiceConfig
from stemprep.package import replicate, verify_package
from stemprep.service.archive import archive_drop, keep_inventory
from stemprep.service.delivery_order import Ordering, package_of, tag_hash
from stemprep.service.drop_content import fingerprint_now
from stemprep.service.inbox.drop_names import INCOMING
from stemprep.service.inbox.unreadable import ClosedError, placed, unread_in
from stemprep.service.jobs import Job, JobColumns
from stemprep.service.outages import WAITING
from stemprep.service.outcomes import (
    ChangedError,
    KnownError,
    StoppedError,
    is_about_the_drop,
    is_outage,
    require_size,
    require_within,
)
from stemprep.service.places import AwayError, JobPlaces, OpenPlace, Places
from stemprep.service.result_files import Results
from stemprep.service.store import Store
from stemprep.spec import load_spec, shipped_specs
from stemprep.units import seconds_from_samples

WAIT_FOR_PLACE_S = 5.0
WAIT_FOR_ROOM_S = 60.0
"""What only part of a job's places can tell is tried again after these; see ``outages``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Runner:
    """Runs jobs; may be shared between threads.

    engine:      None: small drops in this process, others in worker processes.
    clock:       seconds since 1970.
    is_stopping: whether running jobs are to end as soon as they can.
    """

    config: ServiceConfig
    store: Store
    places: Places
    engine: Engine | None
    clock: Callable[[], float]
    is_stopping: Callable[[], bool]

    def run(self, job: Job) -> None:
        """Bring a claimed job as far as it goes, and have the store say how far that is.

        Raises DeliveryError where the store itself refuses; the claim then runs out.
        """
        with ExitStack() as stack:
            places: JobPlaces | None = None
            try:
                inbox = self._inbox(job)
                places = self._opened(inbox, stack)
                if job.state == "running":
                    job = self._publish(job, inbox, places)
                if job.state == "published":
                    self._finish(job, inbox, places)
            except ChangedError as found:
                self.store.close_job(job.job, self.clock(), is_gone=found.is_gone)
            except ClosedError as found:  # it is taken again once it can be read
                self.store.wait_for_access(job.job, self.clock(), placed(job.drop, found.reason))
            except StoppedError:
                why = "the service was told to end while it was worked on"
                self.store.wait(job.job, self.clock(), why, 0.0)
            except Exception as error:  # whatever it is, the job and the others go on
                if is_outage(error) or (places is not None and not places.are_same):
                    self._wait_for_place(job, error)
                else:
                    self._fail(job, error)

    def _opened(self, inbox: Inbox, stack: ExitStack) -> JobPlaces:
        """Open the job's places for as long as it is worked on. Raises AwayError for the inbox."""
        home = stack.enter_context(self.places.opened(inbox.path))
        there, away = {}, {}
        for path in inbox.deliver_to:
            try:
                there[path] = stack.enter_context(self.places.opened(path))
            except AwayError as error:
                away[path] = str(error)
        return JobPlaces(inbox=home, destinations=there, away=away)

    # To the published package

    def _publish(self, job: Job, inbox: Inbox, places: JobPlaces) -> Job:
        """Deliver or refuse; returns the job as it then stands in the store."""
        first = places.first(inbox)
        if job.destination != str(first.path):  # the config has changed meanwhile
            self.store.set_fields(job.job, destination=str(first.path))
            job = self._again(job)
        if job.tag_sha256 and tag_hash(job.package, first.descriptor) == job.tag_sha256:
            self._complete(job, inbox, places)
            return self._published(job, {})
        self._require_unchanged(job, inbox, places)
        spec = load_spec(spec_of(job))
        results = self._results(job, inbox, spec)
        ordering = Ordering(self.store, job, first.descriptor)

        def before_publishing(report: Report, order: Order, tag_sha256: str) -> None:
            self._require_unchanged(job, inbox, places)
            self._require_going_on()
            known = replace(report, package=str(Path(job.destination) / order.name))
            results.prepare_receipt(known)
            columns: JobColumns = {
                **ordering.decided,
                "verdict": report.verdict,
                "audio_s": _audio_s(report),
                "tag_sha256": tag_sha256,
            }
            self.store.set_fields(job.job, **columns)

        terms = Terms(
            job=self._staging_job(job),
            order=ordering,
            before_publishing=before_publishing,
            open_folder=self.places.open_folder,
        )
        try:
            report = self._deliver(job, inbox, spec, terms, places)
        except KnownError as known:
            return self._published(job, self._fields_of(known, ordering))
        except StemprepError as error:
            if not is_about_the_drop(error):
                raise
            report = results.report_on(error)
        if report.package is None:
            self._refuse(job, inbox, results, report, places)
            return self._again(job)
        package = Path(report.package).name
        return self._published(job, {"tag_sha256": tag_hash(package, first.descriptor)})

    def _refuse(
        self, job: Job, inbox: Inbox, results: Results, report: Report, places: JobPlaces
    ) -> None:
        self._require_unchanged(job, inbox, places)
        reason = unread_in(job.drop) or results.headline(report)
        places.require_same()
        try:
            results.refuse(report, places.inbox.descriptor)
        except OSError as error:  # an inbox that cannot be written to is no reason to go on
            if is_outage(error) or job.attempts + 1 < self.config.retries.attempts:
                raise
            reason += f" (no report could be put beside the drop: {error.strerror})"
        self.store.refuse(
            job.job, self.clock(), reason, verdict=report.verdict, audio_s=_audio_s(report)
        )

    def _deliver(
        self, job: Job, inbox: Inbox, spec: DeliverySpec, terms: Terms, places: JobPlaces
    ) -> Report:
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
                keep_inventory(self.store.state, job, prepared.inspection, places.inbox.descriptor)
            there = tuple(path for path in inbox.deliver_to if path in places.destinations)
            return deliver_prepared(
                prepared, there, terms=terms, engine=self.engine, on_progress=on_progress
            )

    def _unpacking(self, job: Job, inbox: Inbox) -> Path:
        """Where a zip is unpacked: swept after a kill, and seen by all machines that read it."""
        is_shared = self.config.engine == "dask"
        place = inbox.deliver_to[0] if is_shared else self.config.state
        return place / f"{INCOMING}{self._staging_job(job)}-unpacked"

    def _staging_job(self, job: Job) -> str:
        return f"{self.store.service_id}-{job.job}"

    def _complete(self, job: Job, inbox: Inbox, places: JobPlaces) -> None:
        """Bring a package that was visible before a kill to what is there, and prove it."""
        for path in inbox.deliver_to:
            if path in places.destinations:
                self._bring(job, places.destinations[path])
                _prove(path / job.package)

    def _bring(self, job: Job, place: OpenPlace) -> bool:
        """Copy the package to a destination that lacks it; False where it lies there."""
        if tag_hash(job.package, place.descriptor) == job.tag_sha256:
            return False
        replicate(
            package_of(job), place.path, self._staging_job(job), job.tag_sha256,
            self.places.open_folder,
        )  # fmt: skip
        return True

    def _published(self, job: Job, columns: JobColumns) -> Job:
        self.store.publish(job.job, self.clock(), **columns)
        return self._again(job)

    def _again(self, job: Job) -> Job:
        known = self.store.job(job.job)
        assert known is not None, "jobs are never deleted"
        return known

    # After that

    def _finish(self, job: Job, inbox: Inbox, places: JobPlaces) -> None:
        """Receipt beside the drop, copies that were missed, then the drop to the archive.

        Nothing is moved while a place is away that has to hold a copy.
        """
        spec = load_spec(spec_of(job))
        places.first(inbox)
        self._results(job, inbox, spec).deliver(job, places.inbox.descriptor)
        for path in inbox.deliver_to[1:]:
            if self._bring(job, places.destination(path)):
                _prove(path / job.package)
        reason = ""
        if inbox.after == "archive":
            reason = archive_drop(self.store, job, inbox, self.places)
        self.store.deliver(job.job, self.clock(), reason=reason or job.reason, lease_until_s=0.0)
        self._results(job, inbox, spec).forget()

    # When it does not go on

    def _wait_for_place(self, job: Job, error: Exception) -> None:
        """A place is away or full: wait, and count no attempt, however long that lasts."""
        is_short = isinstance(error, AwayError)
        self.store.wait(
            job.job, self.clock(), f"{WAITING}{error or type(error).__name__}",
            WAIT_FOR_PLACE_S if is_short else WAIT_FOR_ROOM_S, interruptions=0,
        )  # fmt: skip

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
            self.store.wait(job.job, now_s, reason, retries.wait_s(attempts), attempts=attempts)
        elif current.state == "published" and not self._lacks_copy(current):
            self.store.deliver(
                job.job, now_s, attempts=attempts,
                reason=f"the package is published; after that: {reason}",
            )  # fmt: skip
        else:
            self.store.set_aside(job.job, now_s, reason, attempts)

    def _lacks_copy(self, job: Job) -> bool:
        """Tell whether a destination of a published package is not known to hold it."""
        places = [path for inbox in self.config.inboxes if inbox.path == job.inbox
                  for path in inbox.deliver_to]  # fmt: skip
        try:
            for path in places:
                with self.places.opened(path) as place:
                    if tag_hash(job.package, place.descriptor) != job.tag_sha256:
                        return True
        except (OSError, AwayError):
            return True
        return False

    def _keep_trace(self, job: Job, error: Exception) -> None:
        folder = results_folder(self.store.state, job.job)
        trace = "".join(traceback.format_exception(error))
        with suppress(OSError):  # the fault that is told may be a full disk
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "fault.txt").write_text(trace, errors="backslashreplace")

    # What all of this rests on

    def _require_unchanged(self, job: Job, inbox: Inbox, places: JobPlaces) -> None:
        """Raise ChangedError unless the drop is what was announced.

        Raises AwayError where a place was away since the job began, for what was read or not found
        by then says nothing, and OSError where none can tell.
        """
        found = fingerprint_now(job.drop, inbox.ready_marker, places.inbox.descriptor)
        places.inbox.require_same()
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

    def _fields_of(self, known: KnownError, ordering: Ordering) -> JobColumns:
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


def _prove(package: Path) -> None:
    """Read a published package back whole. Raises DeliveryError."""
    proof = verify_package(package)
    if not (proof.is_whole and proof.is_complete):
        first = proof.damages[0].message if proof.damages else "it is incomplete"
        raise DeliveryError(
            f"{package}: published, but reading it back failed: {first}; "
            "check that disk, move the package away and have the job done again"
        )


def results_folder(state: Path, number: int) -> Path:
    """Where the service keeps what it has to say of a job."""
    return state / "results" / str(number)


def spec_of(job: Job) -> str | Path:
    """The spec as ``load_spec`` takes it."""
    return job.spec if job.spec in shipped_specs() else Path(job.spec)


def _audio_s(report: Report) -> float:
    """Seconds of sound that were measured."""
    files = report.measured.files
    sounds = ((file.facts.header.frames, file.facts.format) for file in files)
    return float(
        sum(
            seconds_from_samples(frames, form.sample_rate_hz)
            for frames, form in sounds
            if form is not None and frames
        )
    )
