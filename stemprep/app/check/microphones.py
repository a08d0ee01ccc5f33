"""Plan which files of a session are measured against which in time, and measure them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from stemprep.engine import Engine, JobDied
from stemprep.intake import amp_of, drum_of, kit_places, stand_of, take_of, words_of_place
from stemprep.model.mic_pairs import ContentLag, MicLag, Relation, Stand
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.words import Role
from stemprep.naming import PathIndex
from stemprep.timing import (
    content_window_frames,
    loud_stretches,
    search_stretches,
    shared_stretches,
    window_frames,
)
from stemprep.work.excerpts import SoundFile
from stemprep.work.lags import ContentJob, LagJob, MicJob, MicPairPlan, measure_lags

_MICROPHONES: frozenset[Role] = frozenset({"track", "di", "unknown"})
_PRINTED: frozenset[Role] = frozenset({"track", "di", "stem", "unknown"})
_FIRST_WORDS = frozenset({"di", "direct", "top", "in", "inside", "close", "near"})
_LAST_WORDS = frozenset({"far", "room", "rooms", "amb", "ambient", "out", "outside"})
MOST_CLOSE = 16
MOST_REFERENCES = 64
MOST_PAIRS = 512
MOST_SHARING, MIN_SHARING = 128, 3
MOST_CHANNELS = 2
LONGEST_STRETCH_S = 5
"""Bounds of time and memory for drops of thousands of files, or of files that last a day."""

Paths = tuple[str, str]


def with_lags(measured: MeasuredSession, engine: Engine) -> MeasuredSession:
    """The session with the lags of its microphones and of what files without stamps share."""
    jobs: list[LagJob] = [*microphone_jobs(measured), *content_jobs(measured)]
    if not jobs:
        return measured
    results = engine.run(measure_lags, jobs)
    lags = [lag for result in results if not isinstance(result, JobDied) for lag in result]
    return replace(
        measured,
        mic_lags=tuple(lag for lag in lags if isinstance(lag, MicLag)),
        content_lags=tuple(lag for lag in lags if isinstance(lag, ContentLag)),
    )


def microphone_jobs(measured: MeasuredSession) -> tuple[MicJob, ...]:
    """One job a song that has microphones to compare, whatever their rates."""
    by_song: dict[str, list[MeasuredFile]] = defaultdict(list)
    for song, files in _sounding(measured, _MICROPHONES):
        by_song[song] += files
    return tuple(
        job
        for song, files in by_song.items()
        if (job := _microphone_job(measured, song, files)) is not None
    )


def content_jobs(measured: MeasuredSession) -> tuple[ContentJob, ...]:
    """One job a song and rate where no file has a time reference and three may share a signal.

    Where files of one length contradict each other in their time references, two: placed by file
    start, and by these.
    """
    jobs: list[ContentJob] = []
    for song, files in _sounding(measured, _PRINTED):
        starts = [file.facts.header.time_reference_samples for file in files]
        if any(start is not None for start in starts) and not _contradict(files):
            continue
        job = _content_job(measured, song, files)
        if job is not None:
            jobs.append(job)
            if job.files[0].start_samples is not None:
                jobs.append(_by_time_reference(job))
    return tuple(jobs)


def _contradict(files: Sequence[MeasuredFile]) -> bool:
    """Files of one length, all with a time reference, and few of them with another one."""
    stamps = [file.facts.header.time_reference_samples for file in files]
    lengths = {file.facts.header.frames for file in files}
    if None in stamps or len(lengths) > 1:
        return False
    most = max(stamps.count(stamp) for stamp in stamps)
    return MIN_SHARING - 1 <= most < len(stamps)


def _by_time_reference(job: ContentJob) -> ContentJob:
    """The same comparison with every file where its time reference puts it."""
    stamps = [file.start_samples or 0 for file in job.files]
    common = max(sorted(set(stamps)), key=stamps.count)
    return replace(job, starts=tuple(stamp - common for stamp in stamps))


def _sounding(
    measured: MeasuredSession, roles: frozenset[Role]
) -> Iterator[tuple[str, list[MeasuredFile]]]:
    """Files of these roles in which something sounds, by song and rate, in the session's order."""
    groups: dict[tuple[str, int], list[MeasuredFile]] = defaultdict(list)
    for file in measured.files:
        form, sound = file.facts.format, file.facts.sound
        if form is None or sound is None or file.role not in roles:
            continue
        if not sound.silence.is_silent(sound.frames) and not sound.non_finite.count:
            groups[file.source.song, form.sample_rate_hz].append(file)
    for (song, _), files in groups.items():
        yield song, files


def _microphone_job(
    measured: MeasuredSession, song: str, files: Sequence[MeasuredFile]
) -> MicJob | None:
    files = [file for file in files if _channels(file) <= MOST_CHANNELS]
    relations: dict[Paths, Relation] = {}
    guesses = dict.fromkeys(_at_one_amp(files))
    takes = {file.path: _take(file) for file in files}
    kinds: tuple[tuple[Relation, Iterable[Paths]], ...] = (
        ("pair", _declared(measured, files)),
        ("group", _grouped(files)),
        ("group", guesses),
        ("kit", _kit(files)),
    )
    for relation, pairs in kinds:
        for reference, path in pairs:
            if (path, reference) not in relations and _may_be_one_take(
                takes[path], takes[reference]
            ):
                relations.setdefault((reference, path), relation)
    relations = _bounded(relations)
    if not relations:
        return None
    used = {path for pair in relations for path in pair}
    taken = [file for file in files if file.path in used]
    places = {file.path: index for index, file in enumerate(taken)}
    references = dict.fromkeys(places[reference] for reference, _ in relations)
    return MicJob(
        root=measured.session.root,
        song=song,
        files=tuple(map(sound_file, taken)),
        pairs=tuple(
            MicPairPlan(
                reference=places[reference],
                file=places[path],
                relation=relation,
                stand=_farther(reference, path),
                is_guess=(reference, path) in guesses,
            )
            for (reference, path), relation in relations.items()
        ),
        loud={index: _loud(taken[index]) for index in references},
        search={index: _search(taken[index]) for index in references},
    )


def _farther(reference: str, path: str) -> Stand:
    order: tuple[Stand, ...] = ("close", "overhead", "room")
    return max(stand_of(reference), stand_of(path), key=order.index)


def _bounded(relations: dict[Paths, Relation]) -> dict[Paths, Relation]:
    """The first pairs, of no more references than memory is meant for."""
    references = set(list(dict.fromkeys(reference for reference, _ in relations))[:MOST_REFERENCES])
    kept = [(paths, kind) for paths, kind in relations.items() if paths[0] in references]
    return dict(kept[:MOST_PAIRS])


def _channels(file: MeasuredFile) -> int:
    return 0 if file.facts.format is None else file.facts.format.channels


def _declared(measured: MeasuredSession, files: Sequence[MeasuredFile]) -> Iterator[Paths]:
    """Pairs that the sheet declares; the one without the note is the reference."""
    index = PathIndex((file.path for file in files), measured.session.sheet_folder)
    for file in files:
        note = file.source.note
        partners = index.named_by(note.pair_of) if note is not None and note.pair_of else ()
        yield from ((partner, file.path) for partner in partners if partner != file.path)


def _grouped(files: Sequence[MeasuredFile]) -> Iterator[Paths]:
    """Every microphone of a source against the one nearest to it by its name."""
    groups: dict[tuple[str, str], list[MeasuredFile]] = defaultdict(list)
    for file in files:
        group = _group_of(file)
        if group is not None:
            groups[group, take_of(file.path)].append(file)
    for members in groups.values():
        first = min(members, key=_distance)
        yield from ((first.path, file.path) for file in members if file is not first)


def _distance(file: MeasuredFile) -> int:
    """How far from its source a file of a group hears it, by the words of its name."""
    words = words_of_place(file.path)
    return 0 if words & _FIRST_WORDS else 2 if words & _LAST_WORDS else 1


def _at_one_amp(files: Sequence[MeasuredFile]) -> list[Paths]:
    """Files that may be further microphones at an amplifier, against the first of their name."""
    amps: dict[str, list[str]] = defaultdict(list)
    for file in files:
        amp = amp_of(file.path) if _group_of(file) is None else None
        if amp is not None:
            amps[amp].append(file.path)
    return [(paths[0], path) for paths in amps.values() for path in paths[1:]]


def _take(file: MeasuredFile) -> tuple[str, str, str]:
    """What a file's name, sheet and recorder say of its take; "" where they say nothing."""
    ixml, note = file.facts.header.ixml, file.source.note
    recorder = "" if ixml is None or not ixml.take else f"{ixml.scene or ''} {ixml.take}"
    return take_of(file.path), "" if note is None else note.take or "", recorder


def _may_be_one_take(left: tuple[str, str, str], right: tuple[str, str, str]) -> bool:
    """Another take is no microphone. A name without a take is the kept one among some with takes;
    of sheet and recorder only what they say of both counts.
    """
    said = zip(left[1:], right[1:], strict=True)
    return left[0] == right[0] and all(one == other for one, other in said if one and other)


def _group_of(file: MeasuredFile) -> str | None:
    """The sheet's group, else the drum that it stands at, else the group found by names."""
    note = file.source.note
    if note is not None and note.group:
        return note.group
    return drum_of(file.path) or file.source.group


def _kit(files: Sequence[MeasuredFile]) -> Iterator[Paths]:
    """Every distant microphone of the kit against every close one."""
    places = kit_places(file.path for file in files)
    close = [file.path for file in files if places.get(file.path) == "close"]
    for file in files:
        if places.get(file.path) == "distant":
            yield from ((reference, file.path) for reference in close[:MOST_CLOSE])


def _content_job(
    measured: MeasuredSession, song: str, files: Sequence[MeasuredFile]
) -> ContentJob | None:
    candidates = list(_one_of_each_source(files))[:MOST_SHARING]
    if len(candidates) < MIN_SHARING:
        return None
    form = candidates[0].facts.format
    assert form is not None, "a file with sound has a format"
    longest = max(file.facts.header.frames for file in candidates)
    places = shared_stretches(
        [_stretched(_columns(file), file.facts.header.frames, longest) for file in candidates],
        longest,
        content_window_frames(form.sample_rate_hz),
    )
    if not places:
        return None
    return ContentJob(
        root=measured.session.root,
        song=song,
        files=tuple(map(sound_file, candidates)),
        places=places,
    )


def _one_of_each_source(files: Iterable[MeasuredFile]) -> Iterator[MeasuredFile]:
    """Microphones of one source share a signal by nature: only the first of each is asked."""
    files = list(files)
    kit = kit_places(file.path for file in files)
    groups: set[str] = set()
    for file in files:
        group = "kit" if file.path in kit else file.source.group
        if group is None or group not in groups:
            yield file
        if group is not None:
            groups.add(group)


def _stretched(columns: Sequence[float], frames: int, longest: int) -> list[float]:
    """The picture on the columns of the longest file, so that columns are the same times."""
    count = len(columns)
    if not count or frames == longest:
        return list(columns)
    wanted = max(1, round(count * frames / longest))
    return [
        max(
            columns[
                place * count // wanted : max(
                    (place + 1) * count // wanted, place * count // wanted + 1
                )
            ]
        )
        for place in range(min(wanted, count))
    ]


def _loud(file: MeasuredFile) -> tuple[tuple[int, int], ...]:
    form = file.facts.format
    assert form is not None, "a file with sound has a format"
    apart = window_frames(form.sample_rate_hz) // 2
    longest = LONGEST_STRETCH_S * form.sample_rate_hz
    found = loud_stretches(_columns(file), file.facts.header.frames, apart)
    return tuple((start, min(end, start + longest)) for start, end in found)


def _search(file: MeasuredFile) -> tuple[int, ...]:
    form = file.facts.format
    assert form is not None, "a file with sound has a format"
    return search_stretches(_columns(file), file.facts.header.frames, form.sample_rate_hz)


def _columns(file: MeasuredFile) -> list[float]:
    """Largest absolute sample of each column of the file's picture, over all channels."""
    sound = file.facts.sound
    assert sound is not None, "only files with sound are measured"
    channels = zip(sound.overview.minimum, sound.overview.maximum, strict=True)
    sizes = [
        [max(high, -low) for low, high in zip(lows, highs, strict=True)] for lows, highs in channels
    ]
    return [max(column) for column in zip(*sizes, strict=True)]


def sound_file(file: MeasuredFile) -> SoundFile:
    """What a job needs to read places of a measured file."""
    header = file.facts.header
    return SoundFile(
        path=file.path,
        raw_path=file.source.entry.raw_path,
        header=replace(header, bext=None, ixml=None, cues=(), info=(), faults=()),
        start_samples=header.time_reference_samples,
    )
