"""Where the new files of a return lie on the session's timeline, and how late they are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from stemprep.app.returns.compare_audio import Sounds
from stemprep.app.returns.takes import Take, speed_of, spill_job, takes_of, with_speeds
from stemprep.checks.tell import span
from stemprep.engine import Engine, JobDied
from stemprep.lineage import Manifest
from stemprep.model.reconciliation import NewFile, Placing, TakeSpeed
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Role
from stemprep.timing import Peak, SpillLag
from stemprep.timing.far_spill import FarPlace
from stemprep.timing.spill import MIN_BLOCKS
from stemprep.units import clock_from_samples
from stemprep.work.far_spill import measure_far_spill
from stemprep.work.lags import measure_spill

_NOT_PLAYED: frozenset[Role] = frozenset({"click", "document"})
MOST_LEAK_DB = -6.0
"""What lies nearer under a take than this is played there: percussion resembles a click."""
CONFIRMED_S = 0.02
"""So near to a place that was found far off, the closer look has to find the spill."""


def placed_files(
    files: Sequence[MeasuredFile],
    manifest: Manifest,
    sounds: Sounds,
    derived: Mapping[str, str],
    engine: Engine,
) -> tuple[NewFile, ...]:
    """Place every new file by its time reference, its start, or the mix that leaked into it."""
    takes = _measured_near(takes_of(files, manifest, sounds), sounds, engine)
    takes = _measured_far(takes, sounds, engine)
    takes = _measured_others(takes, sounds, engine)
    heard = [number for number, take in enumerate(takes) if _is_speed_asked(take)]
    takes = with_speeds(takes, heard, sounds, engine)
    return tuple(_placed(take, derived) for take in takes)


def _measured_near(takes: Sequence[Take], sounds: Sounds, engine: Engine) -> list[Take]:
    """Look for the mix in each take at the place that it states."""
    asked = [
        number
        for number, take in enumerate(takes)
        if take.mix and take.stated.placed_by != "unknown" and take.file.role not in _NOT_PLAYED
    ]
    jobs = [spill_job(takes[number], takes[number].stated.start_s, sounds) for number in asked]
    found = dict(zip(asked, engine.run(measure_spill, jobs), strict=True))
    return [
        replace(take, near=_lag_or_none(found.get(number))) for number, take in enumerate(takes)
    ]


def _measured_far(takes: Sequence[Take], sounds: Sounds, engine: Engine) -> list[Take]:
    """Where nothing was found there, look for it anywhere, and look closely where it may be."""
    asked = [
        number
        for number, take in enumerate(takes)
        if take.mix
        and take.file.role not in _NOT_PLAYED
        and (take.near is None or take.near.kind == "none")
    ]
    jobs = [spill_job(takes[number], Fraction(0), sounds) for number in asked]
    results = list(takes)
    for number, far in zip(asked, engine.run(measure_far_spill, jobs), strict=True):
        if not isinstance(far, JobDied):
            results[number] = _with_far_start(takes[number], far, sounds)
    places = {number: results[number].far_start_s for number in asked}
    closer = [number for number, start_s in places.items() if start_s is not None]
    jobs = [
        spill_job(results[number], start_s, sounds)
        for number, start_s in places.items()
        if start_s is not None
    ]
    for number, lag in zip(closer, engine.run(measure_spill, jobs), strict=True):
        results[number] = replace(results[number], at_far=_lag_or_none(lag))
    return results


def _measured_others(takes: Sequence[Take], sounds: Sounds, engine: Engine) -> list[Take]:
    """Where the mix was found nowhere, look for what else was sent to be played to.

    A click repeats itself, so it is looked for at the place that the take states alone.
    """
    asked = [
        (number, other)
        for number, take in enumerate(takes)
        if (take.near is None or take.near.kind == "none") and take.at_far is None
        if take.stated.placed_by != "unknown" and take.file.role not in _NOT_PLAYED
        if not _is_all_zero(take)
        for other in take.others
        if other not in take.mix
    ]
    jobs = [
        spill_job(replace(takes[number], mix=(other,)), takes[number].stated.start_s, sounds)
        for number, other in asked
    ]
    results = list(takes)
    for (number, other), found in zip(asked, engine.run(measure_spill, jobs), strict=True):
        lag = _lag_or_none(found)
        if lag is None or lag.kind != "spill" or results[number].heard:
            continue
        if (lag.level_db or 0.0) <= MOST_LEAK_DB:
            name = "click" if other.role == "click" else "minus-one"
            results[number] = replace(takes[number], near=lag, heard=name)
    return results


def _is_speed_asked(take: Take) -> bool:
    """Not of what the mix holds too: there a drift would be its own."""
    kinds = {lag.kind for lag in (take.near, take.at_far) if lag is not None}
    is_played = bool(take.mix) and take.file.role not in _NOT_PLAYED and not take.heard
    return is_played and "same-source" not in kinds and not _is_all_zero(take)


def _with_far_start(take: Take, far: FarPlace | None, sounds: Sounds) -> Take:
    """Where the mix was found far off, counted from the session's start instead of the mix's."""
    if far is None:
        return take
    mix = spill_job(take, Fraction(0), sounds).mix
    mix_start_s = Fraction(mix.start_samples or 0, mix.format.sample_rate_hz)
    return replace(take, far_start_s=mix_start_s + Fraction(far.start_s).limit_denominator(10**6))


def _lag_or_none(result: SpillLag | JobDied | None) -> SpillLag | None:
    return None if isinstance(result, JobDied) else result


# --- what follows from it


def _placed(take: Take, derived: Mapping[str, str]) -> NewFile:
    start_s, placed_by, late, confidence, words = _verdict(take)
    form = take.file.facts.format
    assert form is not None, "a new file has sound"
    path = take.file.path
    original = derived.get(path)
    speed = speed_of(take)
    return NewFile(
        file=path,
        song=take.file.source.song,
        role=take.file.role,
        format=form,
        frames=take.file.facts.header.frames,
        start_sample=None if start_s is None else take.timeline.samples(start_s),
        late_samples=late,
        placed_by=placed_by,
        evidence=words,
        confidence=confidence,
        derived_from=None if original is None else f"data/{original}",
        is_miscounted=take.stated.is_miscounted and placed_by == "time-reference",
        session_format=take.timeline.form if take.timeline.frames else None,
        leak_db=_leak_db(take),
        speed=speed,
    )


def _leak_db(take: Take) -> float | None:
    levels = (lag.level_db for lag in (take.near, take.at_far) if lag is not None)
    return next((level for level in levels if level is not None), None)


def _verdict(take: Take) -> tuple[Fraction | None, Placing, int | None, float, str]:
    """Start, what it rests on, lateness in session samples, its confidence, all in words."""
    stated, near = take.stated, take.near
    by_speed = _by_speed(take)
    if by_speed is not None:
        return by_speed
    if near is not None and near.kind == "spill" and near.peak is not None:
        late = _in_session(near.peak.lag_samples, take)
        heard = take.heard or "mix"
        basis = f"{stated.basis}; the {heard} that leaked into it is {_late_words(late, take)}"
        return stated.start_s, stated.placed_by, late, near.peak.confidence, basis
    if near is not None and near.kind == "same-source" and near.peak is not None:
        return _of_same_source(take, near.peak)
    found = _confirmed(take)
    if found is not None:
        return found
    if not take.timeline.frames:
        return None, "unknown", None, 0.0, stated.words
    if stated.is_guess and _is_all_zero(take):
        basis = f"{stated.words}, and no sound that could lie in a wrong place"
        return stated.start_s, stated.placed_by, None, 0.0, basis
    if stated.is_guess or stated.placed_by == "unknown":
        return (
            None,
            "unknown",
            None,
            0.0,
            f"{stated.words}; {_why_unheard(take, 'where it begins')}",
        )
    why = _why_unheard(take, "whether it is late")
    return stated.start_s, stated.placed_by, None, 0.0, f"{stated.basis}; {why}"


def _by_speed(take: Take) -> tuple[Fraction | None, Placing, int | None, float, str] | None:
    """A take whose mix was found only with a drift allowed for, or with another speed undone."""
    found, stated = take.speed, take.stated
    is_heard = any(lag is not None and lag.kind == "spill" for lag in (take.near, take.at_far))
    if found is None:
        return _by_length(take)
    if found.ratio == 1.0 and is_heard:
        return None
    if take.at_far is not None and take.at_far.kind == "spill":
        return None
    start_s, confidence = found.trial.start_s, found.speed.peak.confidence
    late = take.timeline.samples(Fraction(found.late_s).limit_denominator(10**6))
    placed_by = stated.placed_by if stated.placed_by != "unknown" else "time-reference"
    basis = stated.basis if start_s == stated.start_s else f"{stated.words} as its sound runs"
    basis = f"{basis}; the mix that leaked into it is {_late_words(late, take)}"
    speed = speed_of(take)
    if speed is not None:
        basis = f"{basis} at its first sample, and {drift_words(speed, take)}"
    return start_s, placed_by, late, confidence, basis


def _by_length(take: Take) -> tuple[Fraction | None, Placing, int | None, float, str] | None:
    speed = speed_of(take)
    if speed is None or take.stated.placed_by == "unknown":
        return None
    basis = (
        f"{take.stated.words}; it lasts {speed.ratio:.6f} times as long as the session's files; "
        f"{_why_unheard(take, 'whether it is late')}"
    )
    return take.stated.start_s, take.stated.placed_by, None, 0.0, basis


def drift_words(speed: TakeSpeed, take: Take) -> str:
    """By how much the mix in it runs away until its end."""
    drift_s = speed.drift_s(take.sound.frames, take.sound.rate_hz)
    moved = take.timeline.samples(Fraction(drift_s).limit_denominator(10**6))
    way = "later" if moved > 0 else "earlier"
    return f"{span(abs(moved), take.timeline.rate_hz)} {way} at its end"


def _of_same_source(
    take: Take, peak: Peak
) -> tuple[Fraction | None, Placing, int | None, float, str]:
    """What the mix holds too: its place there, where nothing else says where it begins."""
    stated = take.stated
    lag_s = Fraction(peak.lag_samples / take.sound.rate_hz).limit_denominator(10**6)
    if not stated.is_guess or abs(lag_s) <= CONFIRMED_S:
        basis = f"{stated.basis}; what it holds is in the mix too, so that tells no lateness"
        return stated.start_s, stated.placed_by, None, 0.0, basis
    start_s = stated.start_s - lag_s
    basis = f"{stated.words}; what it shares with the mix puts its start at {_clock(start_s, take)}"
    return start_s, "same-source", None, peak.confidence, basis


def _is_all_zero(take: Take) -> bool:
    sound = take.file.facts.sound
    return sound is not None and sound.silence.is_digital_silence


def _clock(start_s: Fraction, take: Take) -> str:
    samples = take.timeline.samples(start_s)
    clock = clock_from_samples(abs(samples), take.timeline.rate_hz)
    return f"-{clock}" if samples < 0 else clock


def _confirmed(take: Take) -> tuple[Fraction | None, Placing, int | None, float, str] | None:
    """The place found far off, where the closer look found the mix there too."""
    far_s, lag = take.far_start_s, take.at_far
    if far_s is None or lag is None or lag.peak is None or lag.kind == "none":
        return None
    lag_s = lag.peak.lag_samples / take.sound.rate_hz
    if abs(lag_s) > CONFIRMED_S:
        return None
    start_s = far_s - Fraction(lag_s).limit_denominator(10**6)
    clock = _clock(start_s, take)
    if take.stated.placed_by == "time-reference":
        late = take.timeline.samples(take.stated.start_s - start_s)
        basis = f"{take.stated.words}; by the mix that leaked into it it belongs at {clock}"
        return take.stated.start_s, "time-reference", late, lag.peak.confidence, basis
    placed_by: Placing = "spill" if lag.kind == "spill" else "same-source"
    how = "the mix that leaked into it" if lag.kind == "spill" else "what it shares with the mix"
    basis = f"{take.stated.words}; {how} puts its start at {clock}"
    return start_s, placed_by, None, lag.peak.confidence, basis


def _in_session(lag_samples: float, take: Take) -> int:
    return round(lag_samples * take.timeline.rate_hz / take.sound.rate_hz)


def _late_words(late: int, take: Take) -> str:
    if late == 0:
        return "on time to the sample"
    return f"{span(abs(late), take.timeline.rate_hz)} {'late' if late > 0 else 'early'}"


def _why_unheard(take: Take, unknown: str) -> str:
    if not take.mix:
        return f"nothing in the package could have leaked into it, so nothing shows {unknown}"
    if take.file.role in _NOT_PLAYED:
        return f"the mix was not sought in it, so nothing shows {unknown}"
    if take.near is not None and take.near.blocks < MIN_BLOCKS:
        return (
            "too little of it sounds beside the mix for the mix to be found in it, so nothing "
            f"shows {unknown}"
        )
    are_others_sought = bool(take.others) and take.stated.placed_by != "unknown"
    sought = (
        "the mix, what else was made to play to and the click were"
        if are_others_sought
        else "the mix was"
    )
    return f"{sought} sought in it and none was found, so nothing shows {unknown}"
