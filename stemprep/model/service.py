"""What the service is to do, as ``service.yaml`` states it.

Paths are written relative to the config's folder and are absolute once it is read. Addresses of
notices hold secrets, so the config names where they stand and never holds them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal, get_args

from stemprep.model.definition import ItemCount, Key, Range, TextForm
from stemprep.model.value_types import Text

AfterDelivery = Literal["leave", "archive"]
EngineKind = Literal["processes", "inline", "dask"]
LogFormat = Literal["text", "json"]
NoticeKind = Literal["received", "held-back", "away", "delivered", "refused", "set-aside"]
NOTICE_KINDS: tuple[NoticeKind, ...] = get_args(NoticeKind)
PLACE_FILE = ".stemprep-place"
"""Lies in every inbox, destination and archive of a service, which knows the folder by it."""


MAX_INBOXES = 200
_GIGABYTE = 1_000_000_000  # as disks are sold
_HOUR_S = 3600.0
_STORE = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")


def _name_fault(text: str) -> str | None:
    """Refuse what is not the name of one file."""
    is_path = "/" in text or "\\" in text or text in (".", "..")
    return "is not the name of one file" if is_path else None


def _place_fault(text: str) -> str | None:
    """Refuse a home folder by its sign: a service has no home that its config's writer knows."""
    if text.startswith("~"):
        return "begins with ~, which a service cannot follow; write the path in full"
    if _STORE.match(text):
        return (
            "is the address of a store, and the service delivers into folders; send packages on "
            "from there by deliver --to"
        )
    return None


Place = Annotated[
    Path,
    TextForm("a path, absolute or relative to this file's folder", 4000, fault_in=_place_fault),
]
FileName = Annotated[str, TextForm("a file name", 200, fault_in=_name_fault)]
Variable = Annotated[
    str,
    TextForm("a name of an environment variable", pattern=r"[A-Za-z_][A-Za-z0-9_]{0,99}"),
]
Wait = Annotated[float, Range(0, 86_400)]


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

    path: Annotated[Place, Key("the folder", "inbox/mastering")]
    specs: Annotated[
        tuple[Text | Path, ...],
        ItemCount(1, 10, takes_one=True),
        Key("spec or specs that its drops are delivered by", "mastering", name="spec"),
    ]
    deliver_to: Annotated[
        tuple[Place, ...],
        ItemCount(1, 10, takes_one=True),
        Key("folder or folders that packages go to", "delivered/mastering"),
    ]
    after: Annotated[
        AfterDelivery, Key("what happens to a drop once its package is proved", "leave")
    ] = "leave"
    archive: Annotated[
        Place | None, Key("where delivered drops are moved, with after: archive", "archive")
    ] = None
    settle_s: Annotated[
        Wait, Key("how long a drop must keep still before it is taken, seconds", 30)
    ] = 30.0
    ready_marker: Annotated[
        FileName | None, Key("file in the drop that says it is complete", "READY")
    ] = None
    is_polled: Annotated[
        bool, Key("a network share, which sends no word of what changes", True)
    ] = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DropLimits:
    """What one drop may ask of the machine; None: no limit."""

    max_size_gb: Annotated[
        float | None, Range(0, 1_000_000, is_low_open=True), Key("size of a drop, 10^9 bytes", 200)
    ] = None
    max_duration_h: Annotated[
        float | None, Range(0, 1000, is_low_open=True), Key("length of one file, hours", 12)
    ] = None
    max_channels: Annotated[int | None, Range(1, 1024), Key("channels of one file", 64)] = None
    jobs_at_once: Annotated[int, Range(1, 64), Key("drops worked on at the same time", 1)] = 1

    @property
    def max_bytes(self) -> int | None:
        """Size of the whole drop."""
        return None if self.max_size_gb is None else int(self.max_size_gb * _GIGABYTE)

    @property
    def max_duration_s(self) -> float | None:
        """Length of one audio file, seconds."""
        return None if self.max_duration_h is None else self.max_duration_h * _HOUR_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Retries:
    """How a job that met a fault of the machine is tried again.

    attempts: in all, then it is set aside. The wait doubles from first_wait_s to longest_wait_s.
    """

    attempts: Annotated[int, Range(1, 100), Key("attempts, then it is set aside", 6)] = 6
    first_wait_s: Annotated[
        Wait, Key("wait after the first attempt; it doubles each time, seconds", 30)
    ] = 30.0
    longest_wait_s: Annotated[Wait, Key("longest wait between two attempts, seconds", 3600)] = (
        3600.0
    )

    def wait_s(self, attempt: int) -> float:
        """Seconds to wait after the attempt of this number, which counts from 1."""
        return float(min(self.longest_wait_s, self.first_wait_s * 2.0 ** min(attempt - 1, 60)))


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeTargets:
    """Who is told; the addresses hold secrets and are therefore named, not stated.

    url_variables: names of environment variables, each with one or more addresses.
    url_file:      file with one address a line; None where there is none.
    kinds:         what is told.
    """

    url_variables: Annotated[
        tuple[Variable, ...],
        ItemCount(high=20),
        Key("environment variables that hold addresses", "[STEMPREP_NOTICE_URLS]"),
    ] = ()
    url_file: Annotated[
        Place | None, Key("file with one address a line, readable by the service alone", "notices")
    ] = None
    kinds: Annotated[tuple[NoticeKind, ...], Key("what is sent", "[refused, set-aside]")] = (
        NOTICE_KINDS
    )
    are_titles_shown: Annotated[
        bool, Key("notices, metrics and logs may name the drop", False, name="titles")
    ] = False


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

    state: Annotated[Place, Key("folder on a local disk for the job store", "/var/lib/stemprep")]
    inboxes: Annotated[tuple[Inbox, ...], ItemCount(1, MAX_INBOXES), Key("one entry an inbox")]
    limits: Annotated[DropLimits, Key("what one drop may ask of the machine")] = DropLimits()
    retries: Annotated[Retries, Key("how faults of the machine are tried again")] = Retries()
    notices: Annotated[NoticeTargets, Key("who gets notices")] = NoticeTargets()
    rescan_s: Annotated[
        float, Range(1, 86_400), Key("longest time between two scans of the inboxes, seconds", 60)
    ] = 60.0
    stop_within_s: Annotated[
        float,
        Range(0, 3600),
        Key("how long running jobs may go on after a request to end, seconds", 20),
    ] = 20.0
    metrics_port: Annotated[
        int | None, Range(1, 65_535), Key("port on the loopback interface for metrics", 9464)
    ] = None
    log_format: Annotated[LogFormat, Key("text for people, json for machines", "text")] = "text"
    engine: Annotated[EngineKind, Key("where the jobs' work is done", "processes")] = "processes"
    scheduler: Annotated[
        Text | None,
        Key("address of the cluster's scheduler, with engine: dask", "tcp://mixer:8786"),
    ] = None
    warnings: tuple[str, ...] = field(default=())

    @property
    def destinations(self) -> tuple[Path, ...]:
        """Every folder that packages go to, each once, in the order of the config."""
        return tuple(dict.fromkeys(place for inbox in self.inboxes for place in inbox.deliver_to))
