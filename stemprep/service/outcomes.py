"""Why a job ends early, and whether the machine or the drop is to blame for an error."""

from __future__ import annotations

import errno

from stemprep.errors import InputError, NoRoomError, SpecError
from stemprep.service.jobs import Job
from stemprep.service.places import AwayError

_MACHINE = frozenset(
    getattr(errno, name)
    for name in (
        "EIO", "ENOSPC", "EDQUOT", "EROFS", "ESTALE", "ENOMEM", "EMFILE", "ENFILE", "EAGAIN",
        "ETIMEDOUT", "ENOTCONN", "ECONNRESET", "ECONNABORTED", "EHOSTDOWN", "EHOSTUNREACH",
        "ENETDOWN", "ENETUNREACH", "ENODEV", "ENXIO", "EREMOTEIO", "EUCLEAN", "ENOLCK", "EBUSY",
    )
    if hasattr(errno, name)
)  # fmt: skip
"""Errors that no content of a drop can cause."""


class ChangedError(Exception):
    """The drop is no longer what was announced; ``is_gone``: nothing lies there any more."""

    def __init__(self, is_gone: bool) -> None:
        super().__init__(is_gone)
        self.is_gone = is_gone


class StoppedError(Exception):
    """The service is to end; the job is taken up again when it is started next."""


class KnownError(Exception):
    """A delivery before this one holds the same; its job is ``earlier``."""

    def __init__(self, earlier: Job) -> None:
        super().__init__(earlier)
        self.earlier = earlier


_OUTAGE = _MACHINE - {
    getattr(errno, name, 0) for name in ("EIO", "ENOMEM", "EMFILE", "ENFILE", "EAGAIN", "EBUSY")
}
"""Errors of a disk without room or a share that is gone: they end by themselves."""


def is_outage(error: BaseException | None) -> bool:
    """Tell whether an error comes from a place that is away or full, so that a job just waits."""
    while error is not None:
        if isinstance(error, AwayError | NoRoomError):
            return True
        if isinstance(error, OSError) and error.errno in _OUTAGE:
            return True
        error = error.__cause__
    return False


def is_about_the_drop(error: BaseException) -> bool:
    """Tell whether an error says something of the drop, so that trying again would not help."""
    return isinstance(error, InputError | SpecError) and not _is_machines(error)


def _is_machines(error: BaseException | None) -> bool:
    while error is not None:
        if isinstance(error, OSError) and error.errno in _MACHINE:
            return True
        error = error.__cause__
    return False
