"""Have the sound around the worst places read, for a page to show and to play."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from stemprep.app.check.microphones import sound_file
from stemprep.engine import Engine, JobDied
from stemprep.model.finding import Finding, Occurrence
from stemprep.model.report import Report
from stemprep.model.session import MeasuredFile
from stemprep.report import first_screen
from stemprep.work.closeups import CloseupJob, Place, read_closeups

MAX_PLACES_A_FINDING = 3
MAX_PLACES = 200
"""Of a page: 2 kB each, 0.4 MB together."""


def with_closeups(report: Report, engine: Engine, *, is_heard: bool) -> Report:
    """The report with closeups of what stands; is_heard: those of the first screen can be played.

    The files must still lie where they were measured.
    """
    jobs = _jobs(report, is_heard=is_heard)
    results = engine.run(read_closeups, jobs) if jobs else []
    found = (each for each in results if not isinstance(each, JobDied))
    return replace(report, closeups=tuple(closeup for some in found for closeup in some))


def _jobs(report: Report, *, is_heard: bool) -> list[CloseupJob]:
    files = {file.path: file for file in report.measured.files if file.facts.sound is not None}
    shown = [(card.finding, card.place) for card in first_screen(report)]
    heard = {(finding.file, place) for finding, place in shown if is_heard}
    wanted: dict[str, dict[Occurrence, Place]] = {}
    graves = [finding for finding, _ in shown] + [
        each for each in report.findings if each.severity != "note"
    ]
    for finding in graves:
        for spot in finding.spots[:MAX_PLACES_A_FINDING]:
            if _is_inside(finding, spot, files) and _count(wanted) < MAX_PLACES:
                assert finding.file is not None, "it has a place inside a file"
                wanted.setdefault(finding.file, {})[spot] = Place(
                    spot=spot, is_heard=(finding.file, spot) in heard
                )
    root = report.measured.session.root
    return [
        CloseupJob(root=root, file=sound_file(files[path]), places=tuple(places.values()))
        for path, places in wanted.items()
    ]


def _count(wanted: Mapping[str, Mapping[Occurrence, Place]]) -> int:
    return sum(map(len, wanted.values()))


def _is_inside(finding: Finding, spot: Occurrence, files: Mapping[str, MeasuredFile]) -> bool:
    file = files.get(finding.file or "")
    return file is not None and 0 <= spot.start_sample < file.facts.header.frames
