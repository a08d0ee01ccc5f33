"""The kind of file is not one that the receiver accepts, or it is larger than many can open.

The samples are fine, the wrapping is not: a mastering system that takes WAV only, a player that
does not know W64, a recorder that stops at 2 GiB.

Measured: the container that the file's content shows, whatever its extension says; its size.
Limit: the spec's list (any lossless container where the list is empty; common practice: WAV or
RF64 for mastering, P&E Wing delivery recommendations). The size by the spec, none unless it is
stated (common practice: 2 GiB for overdub rooms); RF64, made for larger files, is then told too.
Passes: an RF64 file of 5 GB where WAV and RF64 are accepted and no size is stated.
Fails: an AIFF file where only WAV and RF64 are accepted.
To do: let deliver rewrap it (every sample stays as it is), or export it as an accepted kind; of a
large file, ask the receiver, or export the song in parts or at a lower rate. Nothing is split here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.tell import about_file, severity_under
from stemprep.model.definition import Key, Range
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Container, Severity
from stemprep.units import size_in_words

ID = "container"


@dataclass(frozen=True, slots=True, kw_only=True)
class ContainerRule(Rule):
    """Kinds of file, and how large one may be; none named: any that keeps every sample."""

    accepted: Annotated[
        tuple[Container, ...], Key("containers that may stay; []: any", "[WAV, RF64]")
    ]
    largest_bytes: Annotated[
        Annotated[int, Range(1, 1 << 62)] | None,
        Key(
            "size over which a file is told, and RF64 whatever its size; none: no limit", 2147483648
        ),
    ]


NATURE = Nature(
    scope="file",
    heading="Another kind of file than wanted",
    files_are="in another file format",
    concern="form",
    rule=ContainerRule,
    explains=(Explanation(effects=frozenset({"mixed-formats"}), unit="container"),),
)


_FOR_LARGE: frozenset[Container] = frozenset({"RF64", "BW64", "W64"})


def check(file: MeasuredFile, rule: ContainerRule) -> Iterator[Finding]:
    """Yield a finding for a container outside the accepted list."""
    form, severity = file.facts.format, severity_under(rule.severity)
    if form is None or severity is None:
        return
    if not rule.accepted or form.container in rule.accepted:
        yield from _too_large(file, rule, form, severity)
        return
    accepted = " or ".join(rule.accepted)
    yield about_file(
        file,
        ID,
        severity,
        message=f"the file is {form.container}, {accepted} is required",
        advice=f"Let deliver rewrap it without touching a sample, or export it as {accepted}.",
        found=form.container,
        required=accepted,
        repair="rewrap",
    )


def _too_large(
    file: MeasuredFile, rule: ContainerRule, form: AudioFormat, severity: Severity
) -> Iterator[Finding]:
    """Yield a finding for a file over the size, or in a container made for such sizes."""
    limit, size_bytes = rule.largest_bytes, file.facts.size_bytes
    is_made_for_large = form.container in _FOR_LARGE
    if limit is None or (size_bytes <= limit and not is_made_for_large):
        return
    kind = f"{form.container}, " if is_made_for_large else ""
    yield about_file(
        file,
        ID,
        severity,
        message=f"the file is {kind}{size_in_words(size_bytes)}; many recorders open WAV files of "
        f"at most {size_in_words(limit)}",
        advice="Ask the receiver whether that is no trouble there; if it is, export the song in "
        "parts or at a lower rate. Nothing is split here.",
        found=size_bytes,
        required=limit,
        unit="bytes",
    )
