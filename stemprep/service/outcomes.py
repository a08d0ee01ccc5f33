"""Why a job ends early, what a drop may ask of the machine, and which of the two is to blame."""

from __future__ import annotations

import errno

from stemprep.containers import read_header
from stemprep.errors import InputError, NoRoomError, SpecError
from stemprep.intake import open_regular
from stemprep.model.service import DropLimits
from stemprep.model.session import Session, SourceFile
from stemprep.report.figures import plural, size
from stemprep.service.jobs import Job
from stemprep.service.places import AwayError
from stemprep.units import clock_from_samples, seconds_from_samples

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


MAX_NAMED = 5


class OverLimitError(InputError):
    """The drop asks for more than the config allows; one line for each thing that does."""


def require_size(size_bytes: int, limits: DropLimits) -> None:
    """Raise OverLimitError for a drop of more bytes than allowed."""
    if limits.max_bytes is not None and size_bytes > limits.max_bytes:
        raise OverLimitError(
            f"the drop holds {size(size_bytes)}, {size(limits.max_bytes)} are allowed here; "
            "drop it in parts, or have the limit raised in the service's config"
        )


def require_within(session: Session, limits: DropLimits) -> None:
    """Raise OverLimitError for a session, unpacked by now, that asks for more than allowed.

    Files whose headers cannot be read are let through: they get their finding later.
    """
    require_size(sum(entry.size_bytes for entry in session.entries), limits)
    if limits.max_channels is None and limits.max_duration_s is None:
        return
    over = [each for each in (_over(session.root, file, limits) for file in session.files) if each]
    if over:
        more = f" and {plural(len(over) - MAX_NAMED, 'more file')}" if len(over) > MAX_NAMED else ""
        raise OverLimitError(
            f"{', '.join(over[:MAX_NAMED])}{more}; "
            "split what is too long or too wide, or have the limit raised in the service's config"
        )


def _over(root: str, file: SourceFile, limits: DropLimits) -> str:
    """Say by what a file is over a limit; "" where it is not."""
    try:
        with open_regular(root, file.entry.raw_path) as stream:
            header = read_header(stream, file.entry.size_bytes, file.path)
    except (InputError, OSError):
        return ""
    if header.format is None:
        return ""
    channels, rate_hz = header.format.channels, header.format.sample_rate_hz
    if limits.max_channels is not None and channels > limits.max_channels:
        return f"{file.path} has {channels} channels, {limits.max_channels} are allowed"
    length_s = seconds_from_samples(header.frames, rate_hz) if rate_hz else 0.0
    if limits.max_duration_s is not None and length_s > limits.max_duration_s:
        allowed = clock_from_samples(round(limits.max_duration_s * 1000), 1000)
        length = clock_from_samples(header.frames, rate_hz)
        return f"{file.path} is {length} long, {allowed} is allowed"
    return ""
