"""Cue points for the files of a package: sections, tempo, meter and findings, where ordered."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from stemprep.model.finding import Finding
from stemprep.model.header import Cue
from stemprep.model.plan import OutputPlan, Repair, StartReference
from stemprep.model.session import MeasuredSession
from stemprep.prepare.package_places import place_in_output
from stemprep.timeline import SongTimeline, changes_between, nearest_sample, timeline_of_song

MAX_CUES = 500
"""A file with more of them helps nobody; the table of markers tells all."""


def with_cues(
    output: OutputPlan,
    measured: MeasuredSession,
    findings: Sequence[Finding],
    repairs: Sequence[Repair],
    reference: StartReference | None,
) -> OutputPlan:
    """The output with its cue points; a file that is copied byte for byte keeps what it has.

    Findings that are only notes, are waived or are cured by the delivery make none.
    """
    if output.is_copy or output.format is None:
        return output
    cues = [*_of_findings(output, measured, findings, repairs)]
    timeline = None if reference is None else timeline_in_files(output.song, reference, measured)
    if timeline is not None:
        cues += _of_song(timeline, output)
    cues.sort(key=lambda cue: (cue.position_samples, cue.label))
    return replace(output, cues=tuple(cues[:MAX_CUES]))


def timeline_in_files(
    song: str, reference: StartReference, measured: MeasuredSession
) -> SongTimeline | None:
    """The bars of a song, counted from the first sample of its files; None where not known."""
    note = measured.session.note_of(song)
    timeline = timeline_of_song(note, reference.rate_hz, is_stamped=False)
    placed = replace(timeline, bar_1_sample=reference.bar_1_samples, no_bar_1=reference.unknown)
    return placed if placed.has_bars else None


def _of_song(timeline: SongTimeline, output: OutputPlan) -> Iterator[Cue]:
    tempo_map, form = timeline.tempo_map, output.format
    assert tempo_map is not None, "a timeline with bars has a tempo map"
    assert form is not None, "cue points are for files with a format"
    places = [("bar 1", tempo_map.quarter_of(1))]
    places += [(each.name, tempo_map.quarter_of(each.bar)) for each in timeline.sections]
    start, end = (tempo_map.quarter_at(second) for second in _span_s(timeline, output))
    changes = list(changes_between(tempo_map, start, end))
    places += [(change.words, change.quarter) for change in changes]
    for label, quarter in places:
        second = Fraction(timeline.sample_of_quarter(quarter), timeline.rate_hz)
        position = nearest_sample(second, form.sample_rate_hz)
        if 0 <= position <= output.frames:
            yield Cue(identifier=0, position_samples=position, label=label)


def _span_s(timeline: SongTimeline, output: OutputPlan) -> tuple[Fraction, Fraction]:
    """First and last moment of the file, seconds after bar 1."""
    assert output.format is not None, "cue points are for files with a format"
    bar_1_s = Fraction(timeline.bar_1_sample or 0, timeline.rate_hz)
    return -bar_1_s, Fraction(output.frames, output.format.sample_rate_hz) - bar_1_s


def _of_findings(
    output: OutputPlan,
    measured: MeasuredSession,
    findings: Sequence[Finding],
    repairs: Sequence[Repair],
) -> Iterator[Cue]:
    rates = {
        file.path: file.facts.format.sample_rate_hz
        for file in measured.files
        if file.facts.format is not None and file.path in output.sources
    }
    cured = {(repair.check, repair.file) for repair in repairs}
    for finding in findings:
        path = finding.file or ""
        is_marked = finding.counts and finding.severity != "note" and path in rates
        if not is_marked or (finding.check, path) in cured:
            continue
        for spot in finding.spots:
            position = place_in_output(output, spot.start_sample, rates[path])
            if position is not None:
                yield Cue(identifier=0, position_samples=position, label=finding.check)
