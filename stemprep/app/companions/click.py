"""A click as audio, made from the tempo map of the session sheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.bars import SongBars, common_stamp, songs_with_bars
from stemprep.app.companions.maker import Handover, Made, clear_path, form_like_most, song_folder
from stemprep.engine import JobDied
from stemprep.errors import DeliveryError
from stemprep.model.header import Bext
from stemprep.model.plan import Companion, Operation, OutputPlan, Plan
from stemprep.prepare.click import BAR_DBFS, BAR_HZ, BEAT_DBFS, BEAT_HZ
from stemprep.prepare.outgoing import ORIGINATOR, coding_line
from stemprep.work.click import ClickJob, make_click

NAME = "click"


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """One for each song whose bars are known."""
    for song in songs_with_bars(inspection, planned):
        folder = song_folder(song.song, planned)
        yield Companion(
            kind="click",
            path=clear_path(f"{folder}click/{NAME}.wav", planned),
            song=song.song,
            words=_words(song),
        )


def _words(song: SongBars) -> str:
    bar_1 = song.reference.bar_1_samples or 0
    measure = (
        f"The tick of bar 1 begins exactly on sample {bar_1:,}: play the click out, record it "
        "back by a cable, and how much later or earlier it begins there is your own recording "
        "offset. "
        if 0 <= bar_1 < song.frames
        else ""
    )
    return (
        f"Click by the tempo map, a tick on every beat: the first of a bar at {BAR_DBFS:g} dBFS "
        f"peak and {BAR_HZ:,} Hz, the others at {BEAT_DBFS:g} dBFS and {BEAT_HZ:,} Hz. {measure}"
        "Clicks are hard on the ear: start with the level down, above all on headphones, and keep "
        "to the rules of your house."
    )


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[Made]:
    """See ``Maker``."""
    songs = {song.song: song for song in songs_with_bars(handover.inspection, handover.planned)}
    jobs = [_job(companion, songs[companion.song], handover) for companion in companions]
    results = handover.engine.run(make_click, jobs)
    for job, result in zip(jobs, results, strict=True):
        if isinstance(result, JobDied):
            raise DeliveryError(
                f"{job.output.path}: could not be made: {result.reason}; nothing was published"
            )
        yield result


def _job(companion: Companion, song: SongBars, handover: Handover) -> ClickJob:
    forms = [output.format for output in song.outputs if output.format is not None]
    form = form_like_most(forms, 1, song.frames)
    operation = Operation(
        name="generate",
        parameters={
            "bar_dbfs": BAR_DBFS,
            "bar_hz": BAR_HZ,
            "beat_dbfs": BEAT_DBFS,
            "beat_hz": BEAT_HZ,
        },
        reason="a click to play to",
        evidence="the tempo map and bar 1 of the session sheet",
    )
    stamp = common_stamp(song, handover.written)
    return ClickJob(
        output=OutputPlan(
            sources=(),
            path=companion.path,
            role="click",
            song=song.song,
            operations=(operation,),
            format=form,
            frames=song.frames,
            bext=None
            if stamp is None
            else Bext(
                description=NAME,
                originator=ORIGINATOR,
                time_reference_samples=stamp,
                umid=bytes(64),
                coding_history=coding_line(operation, form),
            ),
            track_names=(NAME,),
        ),
        timeline=song.timeline,
        target=handover.staging.file_for(companion.path),
        settings=handover.inspection.spec.measure,
    )
