"""At which speeds the mix is sought in a take, and what follows from the one that was found."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from stemprep.app.return_sounds import Sounds
from stemprep.app.takes import Take, spill_job
from stemprep.engine import Engine, JobDied
from stemprep.lineage.placing import stated_start
from stemprep.lineage.speed import UsualSpeed, cause_of, speed_by_length, usual_speeds
from stemprep.model.reconciliation import TakeSpeed
from stemprep.work.take_speed import SpeedJob, SpeedTrial, measure_speed


def with_speeds(
    takes: Sequence[Take], asked: Sequence[int], sounds: Sounds, engine: Engine
) -> list[Take]:
    """The takes with the speed at which the mix stands out in them; asked: whose is measured."""
    jobs = []
    for number in asked:
        spill = spill_job(takes[number], Fraction(0), sounds)
        mix_start_s = Fraction(spill.mix.start_samples or 0, spill.mix.format.sample_rate_hz)
        trials = tuple(
            replace(trial, start_s=trial.start_s - mix_start_s) for trial in _trials(takes[number])
        )
        jobs.append(SpeedJob(spill=spill, trials=trials))
    results = list(takes)
    for number, job, found in zip(asked, jobs, engine.run(measure_speed, jobs), strict=True):
        if found is None or isinstance(found, JobDied):
            continue
        mix_start_s = Fraction(
            job.spill.mix.start_samples or 0, job.spill.mix.format.sample_rate_hz
        )
        trial = replace(found.trial, start_s=found.trial.start_s + mix_start_s)
        results[number] = replace(takes[number], speed=replace(found, trial=trial))
    return results


def _trials(take: Take) -> Iterator[SpeedTrial]:
    """The session's speed where the take lies, then, where no mix was found there, others."""
    start_s = take.far_start_s if take.at_far is not None and take.far_start_s is not None else None
    if start_s is None and take.stated.placed_by != "unknown":
        start_s = take.stated.start_s
    if start_s is not None:
        yield SpeedTrial(ratio=Fraction(1), start_s=start_s)
    if (take.near is not None and take.near.kind != "none") or take.at_far is not None:
        return
    for speed in usual_speeds(take.sound.rate_hz):
        for start in _starts(take, speed):
            yield SpeedTrial(ratio=speed.ratio, start_s=start)


def _starts(take: Take, speed: UsualSpeed) -> Iterator[Fraction]:
    """Where it begins by its time reference, counted at its label's rate and at its sound's."""
    given = set()
    if take.stated.placed_by != "unknown":
        given.add(take.stated.start_s)
        yield take.stated.start_s
    header = take.file.facts.header
    if speed.cause != "label" or header.time_reference_samples is None:
        return
    true_hz = int(speed.ratio * take.sound.rate_hz)
    form = replace(take.sound.sound.format, sample_rate_hz=true_hz)
    stated = stated_start(form, header.frames, header.time_reference_samples, take.timeline)
    if stated.placed_by == "time-reference" and stated.start_s not in given:
        yield stated.start_s


def speed_of(take: Take) -> TakeSpeed | None:
    """The speed of a take that is not the session's: by the mix in it, else by its whole length."""
    found = take.speed
    label_hz = take.sound.rate_hz
    if found is not None:
        if found.ratio == 1.0:
            return None
        return TakeSpeed(
            ratio=found.ratio,
            error_ppm=found.speed.error_ppm,
            cause=cause_of(found.ratio, label_hz),
            evidence="mix",
        )
    if take.near is not None and take.near.kind != "none":
        return None
    if take.at_far is not None and take.at_far.kind != "none":
        return None
    usual = speed_by_length(take.file.facts.header.frames, label_hz, take.timeline)
    if usual is None:
        return None
    error_ppm = 1e6 * take.timeline.rate_hz / 1000 / max(1, take.timeline.frames)
    return TakeSpeed(
        ratio=float(usual.ratio), error_ppm=error_ppm, cause=usual.cause, evidence="length"
    )
