"""What the service is told to do: the frozen twin of ``service.yaml``. All paths are absolute."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, get_args

AfterDelivery = Literal["leave", "archive"]
EngineKind = Literal["processes", "inline", "dask"]
LogFormat = Literal["text", "json"]
NoticeKind = Literal["received", "held-back", "delivered", "refused", "set-aside"]
NOTICE_KINDS: tuple[NoticeKind, ...] = get_args(NoticeKind)


@dataclass(frozen=True, slots=True, kw_only=True)
class Inbox:
    """A folder that people drop into.

    specs:        shipped names, or absolute paths of spec files; every drop is delivered by each.
    deliver_to:   folders, at least one; the first is written, the others are copies of it.
    after:        leave the drop where it is, or move it to ``archive`` once its package is proved.
    archive:      None unless ``after`` is ``archive``.
    settle_s:     how long a drop must have kept still, seconds.
    ready_marker: name of the file that says that a drop is complete; None: keeping still is enough.
    is_polled:    a network share, of which no events come.
    """

    path: Path
    specs: tuple[str | Path, ...]
    deliver_to: tuple[Path, ...]
    after: AfterDelivery = "leave"
    archive: Path | None = None
    settle_s: float = 30.0
    ready_marker: str | None = None
    is_polled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DropLimits:
    """What one drop may ask of the machine; None: no limit.

    max_bytes:       size of the whole drop.
    max_duration_s:  length of one audio file, seconds.
    max_channels:    channels of one audio file.
    jobs_at_once:    drops worked on at the same time.
    """

    max_bytes: int | None = None
    max_duration_s: float | None = None
    max_channels: int | None = None
    jobs_at_once: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Retries:
    """How a job that met a fault of the machine is tried again.

    attempts: in all, then it is set aside. The wait doubles from first_wait_s to longest_wait_s.
    """

    attempts: int = 6
    first_wait_s: float = 30.0
    longest_wait_s: float = 3600.0

    def wait_s(self, attempt: int) -> float:
        """Seconds to wait after the attempt of this number, which counts from 1."""
        return float(min(self.longest_wait_s, self.first_wait_s * 2.0 ** min(attempt - 1, 60)))


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeTargets:
    """Who is told; the addresses hold secrets and are therefore named, not stated.

    url_variables: names of environment variables, each with one or more addresses.
    url_file:      file with one address a line; None where there is none.
    kinds:         what is told.
    is_title_told: whether notices, metrics and logs may name the drop.
    """

    url_variables: tuple[str, ...] = ()
    url_file: Path | None = None
    kinds: tuple[NoticeKind, ...] = NOTICE_KINDS
    is_title_told: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceConfig:
    """The whole config.

    state:        folder on a local disk for the job store.
    rescan_s:     longest time between two scans of the inboxes, seconds.
    stop_within_s: how long running jobs may go on after a request to end, seconds.
    metrics_port: on the loopback interface; None: no metrics.
    scheduler:    address of the cluster's scheduler; None unless ``engine`` is ``dask``.
    warnings:     lines about what was read but may not be meant, as problems are told.
    """

    state: Path
    inboxes: tuple[Inbox, ...]
    limits: DropLimits = DropLimits()
    retries: Retries = Retries()
    notices: NoticeTargets = NoticeTargets()
    rescan_s: float = 60.0
    stop_within_s: float = 20.0
    metrics_port: int | None = None
    log_format: LogFormat = "text"
    engine: EngineKind = "processes"
    scheduler: str | None = None
    warnings: tuple[str, ...] = field(default=())

    @property
    def destinations(self) -> tuple[Path, ...]:
        """Every folder that packages go to, each once, in the order of the config."""
        return tuple(dict.fromkeys(place for inbox in self.inboxes for place in inbox.deliver_to))
