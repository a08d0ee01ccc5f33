"""Write every output of a plan into the staging folder and read the mixes with a second meter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stemprep.app.check.inspect import OnProgress, fitting_engine
from stemprep.app.check.inspection import Inspection
from stemprep.engine import Engine, JobDied, ProcessEngine
from stemprep.errors import DeliveryError
from stemprep.model.package import SecondReading, WrittenFile
from stemprep.model.plan import OutputPlan, Plan
from stemprep.model.words import Role
from stemprep.package import Staging
from stemprep.work.second_meter import METER, SecondMeterJob, second_reading
from stemprep.work.write import SourceRef, WriteJob, write_output

TWICE_METERED: frozenset[Role] = frozenset({"mix", "alternate-mix"})


def write_outputs(
    inspection: Inspection,
    planned: Plan,
    staging: Staging,
    engine: Engine | None,
    on_progress: OnProgress,
) -> tuple[WrittenFile, ...]:
    """Write all outputs, in the plan's order; raises what ``write_output`` raises."""
    session = inspection.measured.session
    chosen = engine or fitting_engine(session, session.files)
    jobs = [_job(inspection, output, staging) for output in planned.outputs]
    done = 0

    def on_done(position: int) -> None:
        nonlocal done
        done += 1
        on_progress(done, len(jobs), jobs[position].output.path)

    results = chosen.run(write_output, jobs, on_done)
    written = [_written(result, job) for result, job in zip(results, jobs, strict=True)]
    return _with_second_readings(written, staging, engine or ProcessEngine())


def _job(inspection: Inspection, output: OutputPlan, staging: Staging) -> WriteJob:
    by_path = {file.path: file for file in inspection.measured.files}
    sources = tuple(
        SourceRef(
            path=path,
            raw_path=by_path[path].source.entry.raw_path,
            facts=by_path[path].facts,
        )
        for path in output.sources
    )
    return WriteJob(
        root=inspection.measured.session.root,
        output=output,
        sources=sources,
        target=staging.file_for(output.path),
        settings=inspection.spec.measure,
    )


def _written(result: WrittenFile | JobDied, job: WriteJob) -> WrittenFile:
    if isinstance(result, JobDied):
        raise DeliveryError(
            f"{job.output.path}: could not be written: {result.reason}; nothing was published"
        )
    return result


def _with_second_readings(
    written: Sequence[WrittenFile], staging: Staging, engine: Engine
) -> tuple[WrittenFile, ...]:
    mixes = [
        position
        for position, file in enumerate(written)
        if file.plan.role in TWICE_METERED and file.after.sound is not None
    ]
    jobs = [_second_meter_job(written[mix], staging) for mix in mixes]
    readings = engine.run(second_reading, jobs)
    result = list(written)
    for position, reading in zip(mixes, readings, strict=True):
        result[position] = replace(
            written[position],
            second_reading=SecondReading(meter=METER, loudness_lufs=None, reason=reading.reason)
            if isinstance(reading, JobDied)
            else reading,
        )
    return tuple(result)


def _second_meter_job(file: WrittenFile, staging: Staging) -> SecondMeterJob:
    assert file.after.format is not None, "a file with sound has a format"
    return SecondMeterJob(
        file=staging.file_for(file.plan.path),
        frames=file.after.header.frames,
        sample_rate_hz=file.after.format.sample_rate_hz,
        channels=file.after.format.channels,
    )
