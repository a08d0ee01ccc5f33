"""The service's log: one line an event on standard error, for people or, as JSON, for machines.

Drops that are held back and inboxes that are out of reach are written down once each.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import MutableMapping
from dataclasses import dataclass, field
from typing import Any, TextIO

import structlog

from stemprep.model.service import LogFormat
from stemprep.report.escaping import visible
from stemprep.service.inbox.arrivals import Held

_LEVEL_WIDTH = 7


def set_up_logs(log_format: LogFormat, stream: TextIO | None = None) -> None:
    """Have everything logged written to ``stream``, standard error where none is given.

    text: ``2026-03-14T21:05:09Z info    delivered  job=7 verdict=pass``.
    json: one object a line with ``timestamp``, ``level``, ``event`` and the event's values.
    What libraries log goes the same way, from warnings on.
    """
    renderer = _as_json if log_format == "json" else _as_text
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        logger_factory=structlog.WriteLoggerFactory(_Patient(stream or sys.stderr)),  # type: ignore[arg-type]
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        cache_logger_on_first_use=False,
    )
    root = logging.getLogger()
    for handler in [kept for kept in root.handlers if isinstance(kept, _FromLibraries)]:
        root.removeHandler(handler)
    root.addHandler(_FromLibraries(logging.WARNING))


def _as_json(logger: object, method: str, event: MutableMapping[str, Any]) -> str:
    rendered = structlog.processors.JSONRenderer(sort_keys=True)(logger, method, event)
    return rendered if isinstance(rendered, str) else rendered.decode()


def _as_text(_: object, __: str, event: MutableMapping[str, Any]) -> str:
    time = str(event.pop("timestamp", ""))[:19] + "Z"
    level = str(event.pop("level", "info"))
    what = visible(str(event.pop("event", "")))
    trace = event.pop("exception", None)
    values = " ".join(f"{key}={_value(value)}" for key, value in event.items())
    line = f"{time} {level:<{_LEVEL_WIDTH}} {what}{'  ' if values else ''}{values}"
    if trace is None:
        return line
    return "\n".join([line, *(f"    {visible(row)}" for row in str(trace).splitlines())])


def _value(value: object) -> str:
    """Give a value in one word, quoted where it would read as several: it may be a name."""
    text = visible(str(value))
    is_word = text and not any(mark in text for mark in ' "=')
    return text if is_word else '"' + text.replace('"', r"\"") + '"'


class _Patient:
    """A stream whose faults stop nothing: a full disk or a closed pipe costs lines, no jobs."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write what can be written."""
        try:
            return self._stream.write(text)
        except (OSError, ValueError):
            return 0

    def flush(self) -> None:
        """Flush what can be flushed."""
        try:
            self._stream.flush()
        except (OSError, ValueError):
            return


class _FromLibraries(logging.Handler):
    """Passes on what libraries log, in the form of everything else."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write one record."""
        log = structlog.get_logger()
        level = "error" if record.levelno >= logging.ERROR else "warning"
        getattr(log, level)(record.getMessage(), library=record.name)


@dataclass(slots=True, kw_only=True)
class InboxLog:
    """Writes each thing into the log once.

    is_title_told: whether drops may be named.
    unreachable:   numbers of the inboxes that cannot be listed now, from 0.
    """

    is_title_shown: bool
    unreachable: set[int] = field(default_factory=set)

    def hold(self, held: Held, jobs: list[int]) -> None:
        """Tell why a drop is held back, or that it is not any more."""
        if held.is_closed and held.is_lasting:
            return  # it was told when it began
        named = {"drop": held.name, "detail": held.detail} if self.is_title_shown else {}
        numbers = {"job": ",".join(map(str, jobs))} if jobs else {}
        place = {"inbox": held.inbox_index + 1, **numbers, **named}
        if held.reason:
            _log().warning("held back", reason=held.reason, **place)
        else:
            _log().info("held back no longer", **place)

    def reach(self, unreachable: tuple[Held, ...]) -> None:
        """Tell which inboxes cannot be listed any more, and which can again."""
        now = {held.inbox_index: held.reason for held in unreachable}
        for index in now.keys() - self.unreachable:
            _log().error("inbox out of reach", inbox=index + 1, reason=now[index])
        for index in self.unreachable - now.keys():
            _log().info("inbox within reach again", inbox=index + 1)
        self.unreachable = set(now)


def _log() -> structlog.typing.FilteringBoundLogger:
    log: structlog.typing.FilteringBoundLogger = structlog.get_logger()
    return log
