"""The words for what another reader makes of a file that ours has read."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from stemprep.containers import faults
from stemprep.model.header import WAV_FAMILY, AudioFormat, Header, HeaderFault

CODES: Final = frozenset({"closed-to-others", "read-otherwise"})


def refused(reader: str, reason: str, form: AudioFormat) -> HeaderFault:
    """Tell of a file that another reader does not open, or not to its end."""
    why = f" ({reason})" if reason else ""
    return _cured(
        "closed-to-others",
        f"a file that {reader} refuses{why}",
        "a file that others open as well",
        f"the file could be read here, but {reader}, a reader that many programs use, refuses "
        f"it{why}: the receiver's programs may refuse it too",
        form,
    )


def other_length(reader: str, frames: int, header: Header) -> HeaderFault:
    """Tell of another length; a copy cures it only where ours is the longer."""
    assert header.format is not None, "only files with a format are opened again"
    fault = _cured(
        "read-otherwise",
        f"{frames} samples a channel by {reader}",
        f"{header.frames}",
        f"{header.frames:,} samples a channel were read here, {reader} reads {frames:,} of "
        "them: other programs may play only those",
        header.format,
    )
    if frames < header.frames:
        return fault
    message = (
        f"{header.frames:,} samples a channel were read here, {reader} reads {frames:,}: what is "
        "more was not measured"
    )
    return replace(fault, message=message, repair=None, advice=faults.EXPORT_AGAIN)


def other_form(reader: str, rate_hz: int, channels: int, form: AudioFormat) -> HeaderFault:
    """Tell of another rate or channel count; which one is right is not known here."""
    ours = f"{form.sample_rate_hz:,} Hz and {_channels(form.channels)}"
    theirs = f"{rate_hz:,} Hz and {_channels(channels)}"
    return faults.ambiguous(
        "read-otherwise",
        f"{theirs} by {reader}",
        ours,
        f"the file was read here as {ours}, {reader} reads {theirs}: programs differ in what they "
        "play",
    )


def other_samples(reader: str) -> HeaderFault:
    """Tell of other sample values under the same rate, channels and length."""
    return faults.ambiguous(
        "read-otherwise",
        f"other sample values by {reader}",
        "the same sound by every reader",
        f"{reader} reads other sample values than were measured here, at the same rate, channels "
        "and length: programs differ in what they play",
    )


def _cured(code: str, found: str, required: str, message: str, form: AudioFormat) -> HeaderFault:
    fault = replace(faults.repairable(code, found, required, message), severity="fail")
    return fault if form.container in WAV_FAMILY else replace(fault, repair="rewrap")


def _channels(count: int) -> str:
    return "1 channel" if count == 1 else f"{count} channels"
