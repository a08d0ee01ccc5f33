"""Plan the null tests of a measured session and run them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from stemprep.engine import Engine, JobDied
from stemprep.model.null_test import NullCause, NullTest, Obstacle, UntestedSum
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.naming import PathIndex
from stemprep.units import ratio_from_db
from stemprep.work.null_jobs import NullTestJob, SummedFile

MIN_STEMS = 2
MAX_MIXES = 3  # of different names beside each other; each is tested in its newest revision
_REVISION = re.compile(r"\b(?:v|ver|version|r|rev|revision)? ?(\d+)(?= |$)")
_NO_WORD = re.compile(r"[\W_]+")
_INSTRUMENTAL = re.compile(r" (instrumental|inst) ")
_A_CAPPELLA = re.compile(r" a ?capp?ella ")
_MIN_TRUSTED_WORD_BITS = 16  # a square wave uses few bits without having been quantised to them


def with_null_tests(measured: MeasuredSession, engine: Engine) -> MeasuredSession:
    """The session with the null test of every song that has a mix and at least two stems."""
    jobs = null_test_jobs(measured)
    return replace(
        measured,
        null_tests=_with_evidence(measured, _run(jobs, engine)) if jobs else (),
        untested_sums=untested_sums(measured),
    )


def _run(jobs: Sequence[NullTestJob], engine: Engine) -> tuple[NullTest, ...]:
    from stemprep.work.null_test import run_null_test  # loaded where there is a mix

    results = engine.run(run_null_test, jobs)
    return tuple(
        result for result in results if result is not None and not isinstance(result, JobDied)
    )


def with_null_tests_after(
    written: MeasuredSession,
    before: MeasuredSession,
    sources: Mapping[str, str],
    engine: Engine,
) -> MeasuredSession:
    """The session of written files with its null tests.

    A test whose files all kept their samples holds as it was found in the drop; any other is made
    again on what was written. sources: path of each written file -> path it came from.
    """
    known = {(test.reference, frozenset(test.stems)): test for test in before.null_tests}
    hashes = {file.path: file.facts.audio_sha256 for file in before.files}
    same = {
        file.path
        for file in written.files
        if hashes.get(sources[file.path]) == file.facts.audio_sha256
    }
    kept: list[NullTest] = []
    again: list[NullTestJob] = []
    for job in null_test_jobs(written):
        paths = [job.mix.path, *(stem.path for stem in job.stems)]
        origin, *stems = (sources[path] for path in paths)
        test = known.get((origin, frozenset(stems)))
        if test is not None and same.issuperset(paths):
            named = renamed(test, {sources[path]: path for path in paths})
            kept.append(replace(named, left_out=job.left_out))
        else:
            again.append(job)
    tests = (*kept, *_run(again, engine)) if again else tuple(kept)
    tests = _with_evidence(written, tests)
    return replace(written, null_tests=tests, untested_sums=untested_sums(written))


def renamed(test: NullTest, names: Mapping[str, str]) -> NullTest:
    """The test with its files under other names."""

    def cause(known: NullCause) -> NullCause:
        file = None if known.file is None else names.get(known.file, known.file)
        held = None if known.contains is None else names.get(known.contains, known.contains)
        return replace(
            known,
            file=file,
            contains=held,
            sounding=tuple(names.get(path, path) for path in known.sounding),
            alternatives=tuple(map(cause, known.alternatives)),
        )

    return replace(
        test,
        reference=names.get(test.reference, test.reference),
        stems=tuple(names.get(stem, stem) for stem in test.stems),
        causes=tuple(map(cause, test.causes)),
    )


def null_test_jobs(measured: MeasuredSession) -> tuple[NullTestJob, ...]:
    """One job a mix that stems stand beside, in the session's order."""
    return tuple(
        _job(measured, song, mix, stems)
        for song, mix, stems in _sums(measured)
        if all(_obstacle(stem, mix) is None for stem in stems)
    )


def untested_sums(measured: MeasuredSession) -> tuple[UntestedSum, ...]:
    """Stems and mixes that stand beside each other and cannot be summed."""
    untested: list[UntestedSum] = []
    for song, mix, stems in _sums(measured):
        obstacles = {stem.path: _obstacle(stem, mix) for stem in stems}
        first = next((obstacle for obstacle in obstacles.values() if obstacle), None)
        if first is not None:
            untested.append(
                UntestedSum(
                    song=song,
                    reference=mix.path,
                    stems=tuple(stem.path for stem in stems),
                    odd=tuple(path for path, obstacle in obstacles.items() if obstacle == first),
                    obstacle=first,
                )
            )
    return tuple(untested)


def _sums(
    measured: MeasuredSession,
) -> Iterator[tuple[str, MeasuredFile, Sequence[MeasuredFile]]]:
    """Song, mix and what should add up to it: two files or more."""
    by_song: dict[str, list[MeasuredFile]] = {}
    for file in measured.files:
        by_song.setdefault(file.source.song, []).append(file)
    for song, files in by_song.items():
        for mix in _mixes(measured, song, files):
            for stems in (_stems(mix, files), _halves(files)):
                if len(stems) >= MIN_STEMS:
                    yield song, mix, stems


def _stems(mix: MeasuredFile, files: Sequence[MeasuredFile]) -> list[MeasuredFile]:
    return [
        file
        for file in files
        if file.role == "stem" and file is not mix and file.source.use == "main"
    ]


def _halves(files: Sequence[MeasuredFile]) -> list[MeasuredFile]:
    """Instrumental and a cappella, where there is one of each: together they are the mix."""
    alternates = [file for file in files if file.role == "alternate-mix"]
    bands = [file for file in alternates if _INSTRUMENTAL.search(_plain_name(file))]
    voices = [file for file in alternates if _A_CAPPELLA.search(_plain_name(file))]
    return [*bands, *voices] if len(bands) == len(voices) == 1 and bands != voices else []


def _plain_name(file: MeasuredFile) -> str:
    return " " + _NO_WORD.sub(" ", file.path.rpartition("/")[2].casefold()) + " "


def _mixes(
    measured: MeasuredSession, song: str, files: Sequence[MeasuredFile]
) -> Sequence[MeasuredFile]:
    """The sheet's reference mix; else the first files of role mix, of revisions the newest."""
    named = _named_by_sheet(measured, song, files)
    mixes = [file for file in files if file.path in named and _has_sound(file)]
    if mixes:
        return mixes[:1]
    prints = [
        file
        for file in files
        if file.role == "mix" and _has_sound(file) and file.source.use != "unused"
    ]
    return (_of_the_sheet(prints, measured, song) or _newest(prints))[:MAX_MIXES]


def _named_by_sheet(
    measured: MeasuredSession, song: str, files: Sequence[MeasuredFile]
) -> set[str]:
    """Paths that the sheet calls the song's reference mix."""
    sheet = measured.session.sheet
    index = PathIndex((file.path for file in files), measured.session.sheet_folder)
    return {
        path
        for note in (() if sheet is None else sheet.songs)
        if note.title == song and note.reference_mix
        for path in index.named_by(note.reference_mix)
    }


def _with_evidence(measured: MeasuredSession, tests: Sequence[NullTest]) -> tuple[NullTest, ...]:
    """The tests with what says that their reference is the mix."""
    by_song: dict[str, set[str]] = {}
    for test in tests:
        files = [file for file in measured.files if file.source.song == test.song]
        by_song.setdefault(test.song, _named_by_sheet(measured, test.song, files))
    return tuple(
        replace(test, reference_by="sheet" if test.reference in by_song[test.song] else "name")
        for test in tests
    )


def _of_the_sheet(
    mixes: Iterable[MeasuredFile], measured: MeasuredSession, song: str
) -> list[MeasuredFile]:
    """The mixes whose names end in the revision that the sheet states; none where it does not."""
    sheet = measured.session.sheet
    notes = () if sheet is None else sheet.songs
    stated = {note.revision for note in notes if note.title == song} - {None}
    return [mix for mix in mixes if stated.intersection(_revision(mix)[-1:])]


def _newest(mixes: Iterable[MeasuredFile]) -> list[MeasuredFile]:
    """Of names that differ only in a number the one with the highest: the stems belong to it."""
    newest: dict[str, MeasuredFile] = {}
    for mix in sorted(mixes, key=_revision):
        newest[_without_revision(mix)] = mix
    return sorted(newest.values(), key=lambda mix: mix.source.entry.raw_path)


def _revision(mix: MeasuredFile) -> list[int]:
    return [int(number) for number in _REVISION.findall(_plain_name(mix))]


def _without_revision(mix: MeasuredFile) -> str:
    *words, _extension = _REVISION.sub(" ", _plain_name(mix)).split()
    return " ".join(words)


def _job(
    measured: MeasuredSession, song: str, mix: MeasuredFile, stems: Sequence[MeasuredFile]
) -> NullTestJob:
    files = [file for file in measured.files if file.source.song == song]
    summed = {mix.path, *(stem.path for stem in stems)}
    return NullTestJob(
        root=measured.session.root,
        song=song,
        folder=_common_folder([mix.path, *(stem.path for stem in stems)]),
        mix=_summed(mix),
        stems=tuple(_summed(stem) for stem in stems),
        left_out=tuple((file.path, file.role) for file in files if file.path not in summed),
        parts="stems" if any(stem.role == "stem" for stem in stems) else "alternate-mixes",
    )


def _has_sound(file: MeasuredFile) -> bool:
    return (
        file.facts.format is not None
        and file.facts.sound is not None
        and file.facts.sound.frames > 0
        and file.facts.sound.non_finite.count == 0
    )


def _obstacle(stem: MeasuredFile, mix: MeasuredFile) -> Obstacle | None:
    """What keeps a stem from being summed; None: nothing."""
    from stemprep.null_test import can_be_summed  # loaded where there is a mix

    if not _has_sound(stem):
        return "not-readable"
    ours, theirs = stem.facts.format, mix.facts.format
    assert ours is not None, "a file with sound has a format"
    assert theirs is not None, "a file with sound has a format"
    if ours.sample_rate_hz != theirs.sample_rate_hz:
        return "sample-rate"
    return None if can_be_summed(theirs.channels, ours.channels) else "channels"


def _summed(file: MeasuredFile) -> SummedFile:
    form, sound = file.facts.format, file.facts.sound
    assert form is not None, "a file with sound has a format"
    assert sound is not None, "only files with sound are summed"
    used = sound.word.effective_bit_depth or form.bit_depth
    return SummedFile(
        path=file.path,
        raw_path=file.source.entry.raw_path,
        header=replace(file.facts.header, bext=None, ixml=None, cues=(), info=(), faults=()),
        word_bits=max(min(used, form.bit_depth), min(_MIN_TRUSTED_WORD_BITS, form.bit_depth)),
        peak=ratio_from_db(sound.level.sample_peak_dbfs),
        rms=ratio_from_db(sound.level.rms_dbfs),
        start_samples=file.facts.header.time_reference_samples,
    )


def _common_folder(paths: Iterable[str]) -> str:
    """The innermost folder that holds all paths; "" for the drop itself."""
    folders = [path.split("/")[:-1] for path in paths]
    common: list[str] = []
    for parts in zip(*folders, strict=False):
        if len(set(parts)) > 1:
            break
        common.append(parts[0])
    return "/".join(common)
