"""The file has a number of channels that the receiver does not expect.

A polyphonic recorder file or a surround print where mono and stereo are expected: channels get
dropped on import, or land on the wrong tracks.

Measured: the channels in the header.
Limit: the spec's list; mono and stereo by default (common practice, no source).
Passes: a stereo file where 1 and 2 channels are accepted.
Fails: a 16-channel recorder file where 1 and 2 channels are accepted.
To do: let deliver split it into mono files, every channel kept, or export each source to its own
file. Two channels cannot be made from one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, count_of, severity_under
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import ChannelCount

ID = "channel-count"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelCountRule(Rule):
    """Channel counts that may stay."""

    accepted: Annotated[
        tuple[ChannelCount, ...], Key("channel counts that may stay; []: any", "[1, 2]")
    ]


NATURE = Nature(
    scope="file",
    heading="Another number of channels than wanted",
    files_are="with another channel count",
    concern="form",
    rule=ChannelCountRule,
)


def check(file: MeasuredFile, rule: ChannelCountRule) -> Iterator[Finding]:
    """Yield a finding for a channel count outside the list."""
    form, severity = file.facts.format, severity_under(rule.severity)
    if form is None or severity is None or not rule.accepted or form.channels in rule.accepted:
        return
    accepted = " or ".join(str(count) for count in rule.accepted)
    is_splittable = form.channels > 1 and 1 in rule.accepted
    yield about_file(
        file,
        ID,
        severity,
        message=f"the file has {count_of(form.channels, 'channel')}, {accepted} required",
        advice="Let deliver split it into mono files, or export each source to its own file."
        if is_splittable
        else f"Export the file again with {accepted} channels.",
        found=form.channels,
        required=rule.accepted[0] if len(rule.accepted) == 1 else accepted,
        unit="channels",
        repair="split" if is_splittable else None,
    )
