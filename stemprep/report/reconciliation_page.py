"""What came back of a delivery, as one self-contained HTML page."""

from __future__ import annotations

from dataclasses import dataclass

from stemprep.checks.original_changed import region_words
from stemprep.model.header import AudioFormat
from stemprep.model.reconciliation import NewFile, OriginalFate, Reconciliation
from stemprep.report import figures
from stemprep.report.causes import causes
from stemprep.report.page import cause_view
from stemprep.report.reconciliation import (
    MAX_LISTED_REGIONS,
    STATUS_MEANING,
    fate_words,
    good_to_know,
    held_against_words,
    listed_words,
    offset_words,
    start_words,
    state_words,
    summary_words,
    taken_words,
)
from stemprep.report.return_steps import advice_of, to_do_words
from stemprep.report.templates import environment, stylesheet
from stemprep.report.text import HEADINGS
from stemprep.report.waveform import WIDTH, Tick, time_ticks

_PICTURE_HEIGHT = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class OriginalRow:
    """One original as the table tells it."""

    name: str
    returned_as: str
    state: str
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NewRow:
    """One new file as the table tells it."""

    name: str
    format: str
    start: str
    evidence: str
    listed: str
    derived_from: str
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A changed stretch in picture units."""

    x: float
    width: float

    @property
    def end(self) -> float:
        """Where it ends."""
        return round(self.x + self.width, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePicture:
    """One changed original as a line, the changed stretches shaded."""

    name: str
    label: str
    marks: tuple[Mark, ...]
    ticks: tuple[Tick, ...]
    height: int = _PICTURE_HEIGHT


def render_reconciliation_html(result: Reconciliation) -> str:
    """Write what came back as an HTML page; the same record gives the same bytes."""
    returned = result.returned
    style, digest = stylesheet()
    found = causes(result.findings)
    formats: dict[str, AudioFormat | None] = {file.file: file.format for file in returned.new_files}
    return (
        environment()
        .get_template("reconciliation.html")
        .render(
            style=style,
            style_hash=digest,
            name=returned.returned,
            checked=held_against_words(result),
            summary=summary_words(returned),
            to_do=to_do_words(result),
            accepted=result.accepted,
            sections=[
                (heading, views)
                for severity, heading in HEADINGS.items()
                if severity != "note"
                and (views := [cause_view(c, {}, formats) for c in found if c.severity == severity])
            ],
            originals=[_original(fate) for fate in returned.originals],
            pictures=[_picture(fate) for fate in returned.originals if _is_drawn(fate)],
            new_files=[_new(file, result) for file in returned.new_files],
            offset=None if returned.offset is None else offset_words(returned.offset),
            taken=taken_words(result),
            notes=good_to_know(result),
            version=result.stemprep_version,
        )
    )


def _original(fate: OriginalFate) -> OriginalRow:
    changes = [region_words(region, fate) for region in fate.regions[:MAX_LISTED_REGIONS]]
    more = len(fate.regions) - MAX_LISTED_REGIONS
    if more > 0:
        changes.append(f"and {more} more: see the JSON report")
    return OriginalRow(
        name=fate.source,
        returned_as="" if fate.returned_as is None and not fate.lossy_copies else fate_words(fate),
        state=state_words(fate),
        changes=tuple(changes) or (STATUS_MEANING[fate.status],),
    )


def _new(file: NewFile, result: Reconciliation) -> NewRow:
    return NewRow(
        name=file.file,
        format=figures.format_words(file.format),
        start=start_words(file),
        evidence=file.evidence,
        listed=listed_words(file),
        derived_from=file.derived_from or "",
        advice=advice_of(file, result.findings),
    )


def _is_drawn(fate: OriginalFate) -> bool:
    """A line says where; what was done to the whole file needs none."""
    return bool(fate.regions) and fate.frames > 0 and fate.format is not None


def _picture(fate: OriginalFate) -> ChangePicture:
    rate_hz = fate.format.sample_rate_hz if fate.format is not None else 1
    frames = max(fate.frames, *(region.end_sample for region in fate.regions))
    scale = WIDTH / frames
    return ChangePicture(
        name=fate.returned_as or "",
        label=f"length {figures.length(frames, rate_hz)}",
        marks=tuple(
            Mark(
                x=round(region.start_sample * scale, 1),
                width=max(1.0, round((region.end_sample - region.start_sample) * scale, 1)),
            )
            for region in fate.regions
        ),
        ticks=time_ticks(frames, rate_hz),
    )
