"""What the sheet calls unused does not travel, so nothing about it is more than a note."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Literal

from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredSession

_OF_THE_COPY = frozenset(
    {"unreadable", "truncated", "header", "checksum", "not-finite", "name", "name-collision"}
)
"""Whether the file itself is whole and can lie where it lies, whatever its sound is for."""


def unused_as_notes(
    findings: Iterable[Finding], measured: MeasuredSession, layout: Literal["roles", "as-dropped"]
) -> list[Finding]:
    """Return the findings, those on unused files alone lowered to notes.

    A package that is laid out as dropped carries unused files too: there only what is found in
    their sound is lowered, and a damaged copy weighs as on any file.
    """
    unused = {file.path for file in measured.session.files if file.use == "unused"}
    return [
        replace(finding, severity="note")
        if finding.files
        and unused.issuperset(finding.files)
        and (layout == "roles" or finding.check not in _OF_THE_COPY)
        else finding
        for finding in findings
    ]
