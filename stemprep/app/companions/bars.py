"""What the makers of click, tempo map and markers share: the bars of a song in its files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.maker import Handover
from stemprep.model.finding import Finding
from stemprep.model.package import WrittenFile
from stemprep.model.plan import OutputPlan, Plan, StartReference
from stemprep.model.words import CARRIED_ROLES
from stemprep.prepare.cues import timeline_in_files
from stemprep.prepare.package_places import place_in_output
from stemprep.timeline import SongTimeline

MAX_PLACES = 2_000
"""Places of findings that one package's markers tell; there is no use for more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SongBars:
    """One song whose bars are known: samples of ``timeline`` count from the first of its files.

    outputs: those that lie on the timeline, at its rate; frames: of the longest.
    """

    song: str
    timeline: SongTimeline
    reference: StartReference
    outputs: tuple[OutputPlan, ...]

    @property
    def frames(self) -> int:
        """Length of the longest file, samples."""
        return max(output.frames for output in self.outputs)


def songs_with_bars(inspection: Inspection, planned: Plan) -> Iterator[SongBars]:
    """The songs of a package for which a click or a tempo map can be made."""
    for song, reference in planned.references.items():
        outputs = tuple(_laid_out(song, reference, planned))
        timeline = timeline_in_files(song, reference, inspection.measured)
        if timeline is not None and outputs:
            yield SongBars(song=song, timeline=timeline, reference=reference, outputs=outputs)


def _laid_out(song: str, reference: StartReference, planned: Plan) -> Iterator[OutputPlan]:
    for output in planned.outputs:
        form = output.format
        if output.song != song or output.role in CARRIED_ROLES or form is None:
            continue
        if form.encoding in ("integer", "float") and form.sample_rate_hz == reference.rate_hz:
            yield output


def common_stamp(song: SongBars, written: Sequence[WrittenFile]) -> int | None:
    """The one time reference that the files of a song have; None where they have none, or several.

    What has none lies with those that have one, at the common start.
    """
    paths = {output.path for output in song.outputs}
    stamps = set(meant_stamps([file for file in written if file.plan.path in paths]))
    return stamps.pop() if len(stamps) == 1 else None


def meant_stamps(written: Sequence[WrittenFile]) -> list[int]:
    """The time references of files that have one; zero counts as none where others say more."""
    stamps = (file.after.header.time_reference_samples for file in written)
    known = [stamp for stamp in stamps if stamp is not None]
    return [stamp for stamp in known if stamp or not any(known)]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundPlace:
    """One place of a finding in a file of the package; sample at ``rate_hz`` of that file."""

    finding: Finding
    output: OutputPlan
    sample: int
    rate_hz: int
    channel: int | None


def found_places(handover: Handover, song: str) -> tuple[FoundPlace, ...]:
    """Where the findings that stand lie in the files of one song, in order of time and path."""
    dropped = set(handover.inspection.judgement.findings)
    rates = {
        file.path: file.facts.format.sample_rate_hz
        for file in handover.inspection.measured.files
        if file.facts.format is not None
    }
    outputs: dict[str, list[OutputPlan]] = {}
    for output in handover.planned.outputs:
        if output.song == song and output.format is not None:
            for source in output.sources:
                outputs.setdefault(source, []).append(output)
    places: list[FoundPlace] = []
    for finding in handover.report.findings:
        for output in outputs.get(finding.file or "", ()):
            assert output.format is not None, "only outputs with a format were gathered"
            for spot in finding.spots:
                sample: int | None = spot.start_sample
                if finding in dropped:  # else it was found in the written file itself
                    sample = place_in_output(output, spot.start_sample, rates[finding.file or ""])
                if sample is not None:
                    places.append(
                        FoundPlace(
                            finding=finding,
                            output=output,
                            sample=sample,
                            rate_hz=output.format.sample_rate_hz,
                            channel=spot.channel,
                        )
                    )
    places.sort(key=lambda each: (each.sample / each.rate_hz, each.output.path, each.finding.check))
    return tuple(places[:MAX_PLACES])
