"""The new files of a return: the song of each, what was played to it, and at which speed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from stemprep.app.returns.compare_audio import Sounds
from stemprep.engine import Engine, JobDied
from stemprep.lineage import DeliveredFile, Manifest
from stemprep.lineage.forms import session_formats
from stemprep.lineage.placing import Stated, Timeline, stated_start
from stemprep.lineage.speed import UsualSpeed, cause_of, speed_by_length, usual_speeds
from stemprep.model.reconciliation import TakeSpeed
from stemprep.model.session import MeasuredFile, SourceFile
from stemprep.model.words import Role
from stemprep.naming import file_name, folded
from stemprep.timing import SpillLag
from stemprep.work.both_sounds import ComparedFile
from stemprep.work.lags import SpillJob
from stemprep.work.take_speed import FoundSpeed, SpeedJob, SpeedTrial, measure_speed

_PLAYED_TO: tuple[Role, ...] = ("rough-mix", "mix", "listening-reference", "alternate-mix")
_PARTS: frozenset[Role] = frozenset({"track", "di", "stem", "effect-return", "unknown"})
MOST_PARTS = 64
MOST_HEARD = 16
_NO_SONG = "it is not known which song of the package it belongs to"
_FOR_RETURNS = frozenset({"return", "returns", "returned"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """A new file on its way: what it says, what was measured at the place that it says.

    mix:         what the other room listened to; several files are listened to together.
    others:      what else was made to play to: minus-ones, the click; each is sought alone.
    near:        the mix in it at the place that it states; heard: which of ``others`` it was.
    far_start_s: where else in the session the mix in it may begin; at_far: the closer look there.
    speed:       the mix in it when a drift is allowed for, or another speed undone.
    """

    file: MeasuredFile
    sound: ComparedFile
    timeline: Timeline
    stated: Stated
    mix: tuple[DeliveredFile, ...]
    others: tuple[DeliveredFile, ...] = ()
    near: SpillLag | None = None
    heard: str = ""
    far_start_s: Fraction | None = None
    at_far: SpillLag | None = None
    speed: FoundSpeed | None = None


def takes_of(files: Sequence[MeasuredFile], manifest: Manifest, sounds: Sounds) -> list[Take]:
    """Every new file with its song's timeline and mix; nothing is measured yet."""
    lines = timelines(manifest)
    return [_take(file, manifest, sounds, lines) for file in files]


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
) -> Take:
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
    return Take(
        file=replace(file, source=_as_recorded(replace(file.source, song=song))),
        sound=sounds.returned[file.path],
        timeline=timeline,
        stated=stated,
        mix=_played_to(song, manifest, sounds) if song in lines else (),
        others=_heard_too(song, manifest, sounds) if song in lines else (),
    )


def _as_recorded(source: SourceFile) -> SourceFile:
    """A track, where only the folder that is there for returns made an effect return of it."""
    folder = source.role_evidence.removeprefix("folder ")
    if source.role == "effect-return" and folded(folder) in _FOR_RETURNS:
        return replace(source, role="track", role_evidence="new in what came back")
    return source


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


def _heard_too(song: str, manifest: Manifest, sounds: Sounds) -> tuple[DeliveredFile, ...]:
    """The click and everything made for playing to; the minus-ones come first, they tell more."""
    files = [
        file
        for file in manifest.files
        if file.song == song and file.path in sounds.delivered
        if file.role == "click" or (file.made_by_us and file.role in _PLAYED_TO)
    ]
    return tuple(sorted(files, key=lambda file: file.role == "click"))[:MOST_HEARD]


def _grid(file: DeliveredFile, sounds: Sounds) -> tuple[int, int | None]:
    sound = sounds.delivered[file.path]
    return sound.rate_hz, sound.sound.start_samples


def spill_job(take: Take, start_s: Fraction, sounds: Sounds) -> SpillJob:
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
