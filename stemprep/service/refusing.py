"""The report on a drop that could not be judged at all: no audio, a sheet or a zip that is broken.

It is a report like any other, so that whoever reads reports by program finds it there.
"""

from __future__ import annotations

import os
from pathlib import Path

from stemprep import __version__
from stemprep.errors import SpecError, StemprepError
from stemprep.intake import display_path
from stemprep.model.facts import SetFacts
from stemprep.model.finding import Finding
from stemprep.model.report import Report, SongVerdict
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import MeasuredSession, Session
from stemprep.service.limits import OverLimitError

_ADVICE = "put that right in the drop; it is checked again by itself"


def unjudged_report(name: str, drop: Path, spec: DeliverySpec, error: StemprepError) -> Report:
    """The report that says why nothing could be judged; its only findings are the error's lines."""
    session = Session(name=name, root=str(drop), archive=None, entries=(), files=(), songs=())
    lines = error.problems if isinstance(error, SpecError) else (str(error),)
    return Report(
        stemprep_version=__version__,
        spec_name=spec.name,
        spec_title=spec.title,
        spec_sha256=spec.sha256,
        measured=MeasuredSession(session=session, files=()),
        set_facts=SetFacts(),
        findings=tuple(_finding(line, error, drop) for line in lines),
        verdict="fail",
        songs=(SongVerdict(song="", verdict="fail"),),
    )


def _finding(line: str, error: StemprepError, drop: Path) -> Finding:
    shown = display_path(os.fsencode(drop))
    message, _, advice = line.removeprefix(f"{shown}: ").rpartition("; ")
    is_sheet = isinstance(error, SpecError)
    return Finding(
        check="unsafe-entry" if isinstance(error, OverLimitError) else "unreadable",
        severity="fail",
        file="session.yaml" if is_sheet else None,
        files=("session.yaml",) if is_sheet else (),
        message=message or line,
        advice=advice if message else _ADVICE,
    )
