"""The kind of file is not one that the receiver accepts.

The samples are fine, the wrapping is not: a mastering system that takes WAV only, a player that
does not know W64.

Measured: the container that the file's content shows, whatever its extension says.
Limit: the spec's list (any lossless container where the list is empty; common practice: WAV or
RF64 for mastering, P&E Wing delivery recommendations).
Passes: an RF64 file of 5 GB where WAV and RF64 are accepted.
Fails: an AIFF file where only WAV and RF64 are accepted.
To do: let deliver rewrap it (every sample stays as it is), or export it as an accepted kind.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.tell import about_file, severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import ContainerRule
from stemprep.model.session import MeasuredFile

ID = "container"


def check(file: MeasuredFile, rule: ContainerRule) -> Iterator[Finding]:
    """Yield a finding for a container outside the accepted list."""
    form, severity = file.facts.format, severity_under(rule.severity)
    if form is None or severity is None or not rule.accepted or form.container in rule.accepted:
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
