"""Make the click of one song."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from stemprep.model.facts import MeasureSettings
from stemprep.model.package import WrittenFile
from stemprep.model.plan import OutputPlan
from stemprep.package import StagedFile
from stemprep.prepare.click import click_blocks, ticks_between
from stemprep.prepare.stream import Stream
from stemprep.prepare.word_length import dithered_blocks, float_blocks
from stemprep.timeline import SongTimeline
from stemprep.work.made import write_made


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickJob:
    """What to make and where; samples of the timeline count from the file's first."""

    output: OutputPlan
    timeline: SongTimeline
    target: StagedFile
    settings: MeasureSettings


def make_click(job: ClickJob) -> WrittenFile:
    """Write the click and prove it; the same timeline gives the same bytes.

    Raises DeliveryError when the disk refuses or gives back other bytes.
    """
    output, form = job.output, job.output.format
    assert form is not None, "what is made here has a format"
    ticks = tuple(ticks_between(job.timeline, 0, output.frames))
    keyed = "\n".join(["stemprep-click-1", *(str(tick.sample) for tick in ticks)])
    stream = Stream(
        name=output.path,
        rate_hz=form.sample_rate_hz,
        frames=output.frames,
        origins=((hashlib.sha256(keyed.encode()).hexdigest(), 1),),
        bit_depth=None,
        blocks=click_blocks(ticks, output.frames, form.sample_rate_hz),
    )
    is_float = form.encoding == "float"
    words = float_blocks(stream, form) if is_float else dithered_blocks(stream, form)
    return write_made(job.target, output, words, job.settings)
