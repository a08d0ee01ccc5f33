"""The report as it lies inside a package: the same wherever the drop lay, whatever its name."""

from __future__ import annotations

from dataclasses import replace

from stemprep.model.report import Report
from stemprep.model.session import MeasuredFile, MeasuredSession


def packaged_report(report: Report, package_name: str) -> Report:
    """Give the report without the drop's name and place, and with the package's name for its place.

    Files of a dropped zip are told by their inner names, as after unpacking.
    """
    session = report.measured.session
    files = tuple(_without_archive(file) for file in report.measured.files)
    placeless = replace(
        session,
        name="",
        root="",
        archive=None,
        entries=tuple(replace(entry, archive=None) for entry in session.entries),
        files=tuple(file.source for file in files),
    )
    return replace(
        report,
        measured=MeasuredSession(session=placeless, files=files),
        package=package_name,
    )


def _without_archive(file: MeasuredFile) -> MeasuredFile:
    entry = replace(file.source.entry, archive=None)
    return replace(file, source=replace(file.source, entry=entry))
