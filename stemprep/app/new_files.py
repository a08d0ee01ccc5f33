"""Where the new files of a return lie on the session's timeline, and how late they are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from stemprep.app.return_sounds import Sounds
from stemprep.checks.tell import rate_name, span
from stemprep.engine import Engine, JobDied
from stemprep.lineage import DeliveredFile, Manifest
from stemprep.lineage.forms import session_formats
from stemprep.lineage.placing import Stated, Timeline, stated_start
from stemprep.model.reconciliation import NewFile, Placing
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Role
from stemprep.naming import file_name, folded
from stemprep.timing import SpillLag
from stemprep.timing.far_spill import FarPlace
from stemprep.units import clock_from_samples
from stemprep.work.compare_sound import ComparedFile
from stemprep.work.far_spill import measure_far_spill
from stemprep.work.lags import SpillJob, measure_spill

_PLAYED_TO: tuple[Role, ...] = ("rough-mix", "mix", "listening-reference", "alternate-mix")
_PARTS: frozenset[Role] = frozenset({"track", "di", "stem", "effect-return", "unknown"})
MOST_PARTS = 64
_NOT_PLAYED: frozenset[Role] = frozenset({"click", "document"})
_NO_SONG = "it is not known which song of the package it belongs to"
CONFIRMED_S = 0.02
"""So near to a place that was found far off, the closer look has to find the spill."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Take:
    """A new file on its way: what it says, what was measured at the place that it says."""

    file: MeasuredFile
    sound: ComparedFile
    timeline: Timeline
    stated: Stated
    mix: tuple[DeliveredFile, ...]
    near: SpillLag | None = None
    far: FarPlace | None = None
    at_far: SpillLag | None = None


def placed_files(
    files: Sequence[MeasuredFile],
    manifest: Manifest,
    sounds: Sounds,
    derived: Mapping[str, str],
    engine: Engine,
) -> tuple[NewFile, ...]:
    """Place every new file by its time reference, its start, or the mix that leaked into it."""
    lines = timelines(manifest)
    takes = [_take(file, manifest, sounds, lines) for file in files]
    takes = _measured_near(takes, sounds, engine)
    takes = _measured_far(takes, sounds, engine)
    return tuple(_placed(take, derived) for take in takes)


def timelines(manifest: Manifest) -> dict[str, Timeline]:
    """Per song of a package, what new files are held against."""
    lines = {}
    for song, form in session_formats(manifest).items():
        frames = [
            Fraction(file.whole("frames") or 0, file.whole("sample_rate_hz") or 1)
            for file in manifest.dropped_files
            if file.song == song
        ]
        lines[song] = Timeline(
            form=form,
            start_samples=manifest.start_samples.get(song),
            frames=round(max(frames) * form.sample_rate_hz),
        )
    return lines


def _take(
    file: MeasuredFile, manifest: Manifest, sounds: Sounds, lines: Mapping[str, Timeline]
) -> _Take:
    form = file.facts.format
    assert form is not None, "a new file has sound"
    song = _song_of(file, lines)
    header = file.facts.header
    timeline = lines.get(song)
    if timeline is None:
        timeline = Timeline(form=form, start_samples=None, frames=0)
        stated = Stated(start_s=Fraction(0), placed_by="unknown", words=_NO_SONG)
    else:
        stated = stated_start(form, header.frames, header.time_reference_samples, timeline)
    return _Take(
        file=replace(file, source=replace(file.source, song=song)),
        sound=sounds.returned[file.path],
        timeline=timeline,
        stated=stated,
        mix=_played_to(song, manifest, sounds) if song in lines else (),
    )


def _song_of(file: MeasuredFile, lines: Mapping[str, Timeline]) -> str:
    """Its song by sheet or folder where the package has one of that name, else the only one."""
    if file.source.song in lines:
        return file.source.song
    if len(lines) == 1:
        return next(iter(lines))
    folders = {folded(folder) for folder in file.path.split("/")[:-1]}
    named = [song for song in lines if song and folded(song) in folders]
    if not named:
        name = folded(file_name(file.path))
        named = [song for song in lines if song and folded(song) in name]
    return named[0] if len(named) == 1 else file.source.song


def _played_to(song: str, manifest: Manifest, sounds: Sounds) -> tuple[DeliveredFile, ...]:
    """What the other room listened to: the rough mix, else another mix, else all tracks together.

    Of the tracks those that begin together at one rate, the longest first.
    """
    files = [file for file in manifest.files if file.song == song and file.path in sounds.delivered]
    for role in _PLAYED_TO:
        for file in files:
            if file.role == role:
                return (file,)
    parts = [file for file in files if file.role in _PARTS and not file.made_by_us]
    parts.sort(key=lambda file: -sounds.delivered[file.path].frames)
    first = next(iter(parts), None)
    return tuple(
        file
        for file in parts[:MOST_PARTS]
        if first is not None and _grid(file, sounds) == _grid(first, sounds)
    )


def _grid(file: DeliveredFile, sounds: Sounds) -> tuple[int, int | None]:
    sound = sounds.delivered[file.path]
    return sound.rate_hz, sound.sound.start_samples


def _job(take: _Take, start_s: Fraction, sounds: Sounds) -> SpillJob:
    """The track as if it began at ``start_s`` of the session; both count from the session's start.

    SoundFile.start_samples are whole samples, so the track's start is rounded by half a sample.
    """
    mix, *parts = (sounds.delivered[file.path] for file in take.mix)
    mix_start = mix.sound.start_samples
    origin = take.timeline.start_samples
    mix_start_s = Fraction(0)
    if mix_start is not None and origin is not None:
        mix_start_s = Fraction(mix_start, mix.rate_hz) - Fraction(origin, take.timeline.rate_hz)
    return SpillJob(
        root=take.sound.root,
        track=replace(take.sound.sound, start_samples=round(start_s * take.sound.rate_hz)),
        mix=replace(mix.sound, start_samples=round(mix_start_s * mix.rate_hz)),
        mix_root=mix.root,
        parts=tuple(part.sound for part in parts),
    )


def _measured_near(takes: Sequence[_Take], sounds: Sounds, engine: Engine) -> list[_Take]:
    """Look for the mix in each take at the place that it states."""
    asked = [
        number
        for number, take in enumerate(takes)
        if take.mix and take.stated.placed_by != "unknown" and take.file.role not in _NOT_PLAYED
    ]
    jobs = [_job(takes[number], takes[number].stated.start_s, sounds) for number in asked]
    found = dict(zip(asked, engine.run(measure_spill, jobs), strict=True))
    return [
        replace(take, near=_lag_or_none(found.get(number))) for number, take in enumerate(takes)
    ]


def _measured_far(takes: Sequence[_Take], sounds: Sounds, engine: Engine) -> list[_Take]:
    """Where nothing was found there, look for it anywhere, and look closely where it may be."""
    asked = [
        number
        for number, take in enumerate(takes)
        if take.mix
        and take.file.role not in _NOT_PLAYED
        and (take.near is None or take.near.kind == "none")
    ]
    jobs = [_job(takes[number], Fraction(0), sounds) for number in asked]
    results = list(takes)
    for number, far in zip(asked, engine.run(measure_far_spill, jobs), strict=True):
        if not isinstance(far, JobDied):
            results[number] = replace(takes[number], far=far)
    closer = [number for number in asked if results[number].far is not None]
    jobs = [_job(results[number], _far_start(results[number], sounds), sounds) for number in closer]
    for number, lag in zip(closer, engine.run(measure_spill, jobs), strict=True):
        results[number] = replace(results[number], at_far=_lag_or_none(lag))
    return results


def _far_start(take: _Take, sounds: Sounds) -> Fraction:
    """Seconds after the session's start at which the spill was found far off."""
    assert take.far is not None, "asked only where there is one"
    job = _job(take, Fraction(0), sounds)
    mix_start_s = Fraction(job.mix.start_samples or 0, job.mix.format.sample_rate_hz)
    return mix_start_s + Fraction(take.far.start_s).limit_denominator(1_000_000)


def _lag_or_none(result: SpillLag | JobDied | None) -> SpillLag | None:
    return None if isinstance(result, JobDied) else result


# --- what follows from it


def _placed(take: _Take, derived: Mapping[str, str]) -> NewFile:
    start_s, placed_by, late, confidence, words = _verdict(take)
    form = take.file.facts.format
    assert form is not None, "a new file has sound"
    path = take.file.path
    original = derived.get(path)
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
        advice=_advice(take, late, placed_by),
    )


def _verdict(take: _Take) -> tuple[Fraction | None, Placing, int | None, float, str]:
    """Start, what it rests on, lateness in session samples, its confidence, all in words."""
    stated, near = take.stated, take.near
    if near is not None and near.kind == "spill" and near.peak is not None:
        late = _in_session(near.peak.lag_samples, take)
        told = f"{stated.words}; the mix that leaked into it is {_late_words(late, take)}"
        return stated.start_s, stated.placed_by, late, near.peak.confidence, told
    if near is not None and near.kind == "same-source":
        told = f"{stated.words}; what it holds is in the mix too, so that tells no lateness"
        return stated.start_s, stated.placed_by, None, 0.0, told
    found = _confirmed(take)
    if found is not None:
        return found
    if not take.timeline.frames:
        return None, "unknown", None, 0.0, stated.words
    known = None if stated.placed_by == "unknown" else stated.start_s
    return known, stated.placed_by, None, 0.0, f"{stated.words}; {_why_unheard(take)}"


def _confirmed(take: _Take) -> tuple[Fraction | None, Placing, int | None, float, str] | None:
    """The place found far off, where the closer look found the mix there too."""
    far, lag = take.far, take.at_far
    if far is None or lag is None or lag.peak is None or lag.kind == "none":
        return None
    lag_s = lag.peak.lag_samples / take.sound.rate_hz
    if abs(lag_s) > CONFIRMED_S:
        return None
    mix_start_s = Fraction(0)
    start_s = mix_start_s + Fraction(far.start_s - lag_s).limit_denominator(1_000_000)
    clock = clock_from_samples(max(0, take.timeline.samples(start_s)), take.timeline.rate_hz)
    if take.stated.placed_by == "time-reference":
        late = take.timeline.samples(take.stated.start_s - start_s)
        told = f"{take.stated.words}; by the mix that leaked into it it belongs at {clock}"
        return take.stated.start_s, "time-reference", late, lag.peak.confidence, told
    placed_by: Placing = "spill" if lag.kind == "spill" else "same-source"
    how = "the mix that leaked into it" if lag.kind == "spill" else "what it shares with the mix"
    told = f"{take.stated.words}; {how} begins at {clock}"
    return start_s, placed_by, None, lag.peak.confidence, told


def _in_session(lag_samples: float, take: _Take) -> int:
    return round(lag_samples * take.timeline.rate_hz / take.sound.rate_hz)


def _late_words(late: int, take: _Take) -> str:
    if late == 0:
        return "on time to the sample"
    return f"{span(abs(late), take.timeline.rate_hz)} {'late' if late > 0 else 'early'}"


def _why_unheard(take: _Take) -> str:
    if not take.mix:
        return (
            "nothing in the package could have leaked into it, so nothing shows whether it is late"
        )
    return "no mix leaked into it, so nothing shows whether it is late"


def _advice(take: _Take, late: int | None, placed_by: Placing) -> str:
    return " ".join(_advice_parts(take, late, placed_by))


def _advice_parts(take: _Take, late: int | None, placed_by: Placing) -> Iterator[str]:
    form, session = take.sound.sound.format, take.timeline.form
    if not take.timeline.frames:
        yield "Put it into a folder with the song's name, or say in a session.yaml which it is."
        return
    if placed_by == "unknown":
        yield "Ask where it begins, or for an export from the session's start."
    elif placed_by in ("spill", "same-source"):
        yield "Nothing in the file says so: order the move when you accept it."
    elif late is not None and abs(late) >= take.timeline.rate_hz // 500:
        yield "Order its move when you accept it, or ask for a new export."
    if form.sample_rate_hz != session.sample_rate_hz:
        yield f"It has to be brought to {rate_name(session.sample_rate_hz)}."
