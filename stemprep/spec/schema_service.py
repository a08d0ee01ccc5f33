"""The service's config as written in YAML: keys, ranges, examples.

Paths are read relative to the config's folder. Addresses of notices hold secrets, so the config
names where they stand and never holds them.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from stemprep.model.service import AfterDelivery, EngineKind, LogFormat, NoticeKind
from stemprep.spec.schema_words import Strict, Text, may, must
from stemprep.spec.shapes import OneOrMore, Wanted

MAX_INBOXES = 200


def _plain_name(text: str) -> str:
    """Refuse what is not the name of one file."""
    if "/" in text or "\\" in text or text in (".", ".."):
        raise ValueError("is not the name of one file")
    return text


def _folder(text: str) -> str:
    """Refuse a home folder by its sign: a service has no home that its config's writer knows."""
    if text.startswith("~"):
        raise ValueError("begins with ~, which a service cannot follow; write the path in full")
    return text


Place = Annotated[
    str,
    Field(min_length=1, max_length=4000),
    AfterValidator(_folder),
    Wanted("a path, absolute or relative to this file's folder"),
]
FileName = Annotated[
    str, Field(min_length=1, max_length=200), AfterValidator(_plain_name), Wanted("a file name")
]
Variable = Annotated[
    str,
    Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]{0,99}$"),
    Wanted("a name of an environment variable"),
]
Places = Annotated[
    tuple[Place, ...],
    Field(min_length=1, max_length=10, json_schema_extra={"type": ["array", "string"]}),
    OneOrMore(),
]
SpecNames = Annotated[
    tuple[Text, ...],
    Field(min_length=1, max_length=10, json_schema_extra={"type": ["array", "string"]}),
    OneOrMore(),
]
Wait = Annotated[float, Field(ge=0, le=86_400)]


class InboxKeys(Strict):
    """A folder that people drop into."""

    path: Place = must("the folder", "inbox/mastering")
    spec: SpecNames = must("spec or specs that its drops are delivered by", "mastering")
    deliver_to: Places = must("folder or folders that packages go to", "delivered/mastering")
    after: AfterDelivery = may("what happens to a drop once its package is proved", "leave")
    archive: Place = may("where delivered drops are moved, with after: archive", "archive")
    settle_s: Wait = may("how long a drop must keep still before it is taken, seconds", 30)
    ready_marker: FileName = may("file in the drop that says it is complete", "READY")
    polled: bool = may("a network share, which sends no word of what changes", True)


class DropLimitKeys(Strict):
    """What one drop may ask of the machine."""

    max_size_gb: Annotated[float, Field(gt=0, le=1_000_000)] = may(
        "size of a drop, 10^9 bytes", 200
    )
    max_duration_h: Annotated[float, Field(gt=0, le=1000)] = may("length of one file, hours", 12)
    max_channels: Annotated[int, Field(ge=1, le=1024)] = may("channels of one file", 64)
    jobs_at_once: Annotated[int, Field(ge=1, le=64)] = may("drops worked on at the same time", 1)


class RetryKeys(Strict):
    """How a job that met a fault of the machine is tried again."""

    attempts: Annotated[int, Field(ge=1, le=100)] = may("attempts, then it is set aside", 6)
    first_wait_s: Wait = may("wait after the first attempt; it doubles each time, seconds", 30)
    longest_wait_s: Wait = may("longest wait between two attempts, seconds", 3600)


class NoticeKeys(Strict):
    """Who is told, and what."""

    url_variables: Annotated[tuple[Variable, ...], Field(max_length=20)] = may(
        "environment variables that hold addresses", "[STEMPREP_NOTICE_URLS]"
    )
    url_file: Place = may("file with one address a line, readable by the service alone", "notices")
    kinds: tuple[NoticeKind, ...] = may("what is told", "[refused, set-aside]")
    titles: bool = may("notices, metrics and logs may name the drop", False)


class ServiceKeys(Strict):
    """The service's config, service.yaml."""

    state: Place = must("folder on a local disk for the job store", "/var/lib/stemprep")
    inboxes: Annotated[tuple[InboxKeys, ...], Field(min_length=1, max_length=MAX_INBOXES)] = must(
        "one entry an inbox"
    )
    limits: DropLimitKeys = may("what one drop may ask of the machine")
    retries: RetryKeys = may("how faults of the machine are tried again")
    notices: NoticeKeys = may("who is told")
    rescan_s: Annotated[float, Field(ge=1, le=86_400)] = may(
        "longest time between two scans of the inboxes, seconds", 60
    )
    stop_within_s: Annotated[float, Field(ge=0, le=3600)] = may(
        "how long running jobs may go on after a request to end, seconds", 20
    )
    metrics_port: Annotated[int, Field(ge=1, le=65_535)] = may(
        "port on the loopback interface for metrics", 9464
    )
    log_format: LogFormat = may("text for people, json for machines", "text")
    engine: EngineKind = may("where the jobs' work is done", "processes")
    scheduler: Text = may(
        "address of the cluster's scheduler, with engine: dask", "tcp://mixer:8786"
    )
