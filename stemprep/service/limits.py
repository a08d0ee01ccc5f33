"""What one drop may ask of the machine, told from sizes and headers before anything is decoded."""

from __future__ import annotations

from stemprep.containers import read_header
from stemprep.errors import InputError
from stemprep.intake import open_regular
from stemprep.model.service import DropLimits
from stemprep.model.session import Session, SourceFile
from stemprep.report.figures import plural, size
from stemprep.units import clock_from_samples, seconds_from_samples

MAX_TOLD = 5


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
    over = [told for told in (_over(session.root, file, limits) for file in session.files) if told]
    if over:
        more = f" and {plural(len(over) - MAX_TOLD, 'more file')}" if len(over) > MAX_TOLD else ""
        raise OverLimitError(
            f"{', '.join(over[:MAX_TOLD])}{more}; "
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
