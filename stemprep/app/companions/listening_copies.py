"""MP3s of the rough mix and the minus-ones, for listening and not for import."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.maker import Handover, Made, clear_path, song_folder
from stemprep.app.companions.mixes import KINDS, recipes
from stemprep.engine import JobDied
from stemprep.errors import DeliveryError
from stemprep.model.package import WrittenFile
from stemprep.model.plan import Companion, OutputPlan, Plan
from stemprep.naming import file_name, split_extension
from stemprep.work.listening import ListeningJob, make_listening_copy

FOLDER = "listening-copies-not-for-import"
_MOST_CHANNELS = 2


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """One copy of each song's rough mix, supplied or made, and of each minus-one."""
    taken: list[str] = []
    for song, path, made_from in _originals(inspection, planned):
        stem = split_extension(file_name(path))[0]
        copy = clear_path(f"{song_folder(song, planned)}{FOLDER}/{stem}.mp3", planned, taken)
        taken.append(copy)
        yield Companion(
            kind="listening-copies",
            path=copy,
            song=song,
            words=_words(path),
            made_from=made_from,
        )


def _originals(inspection: Inspection, planned: Plan) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Song, path in the package and dropped paths of what is copied."""
    outputs = {output.path: output for output in planned.outputs}
    for recipe in recipes(inspection, planned):
        if recipe.supplied is not None and _is_codable(outputs[recipe.supplied]):
            yield recipe.song, recipe.supplied, outputs[recipe.supplied].sources
        for companion in planned.companions:
            if companion.kind in KINDS and companion.song == recipe.song:
                yield recipe.song, companion.path, companion.made_from


def _is_codable(output: OutputPlan) -> bool:
    form = output.format
    return (
        form is not None
        and form.encoding in ("integer", "float")
        and form.channels <= _MOST_CHANNELS
        and not output.is_damaged
    )


def _words(path: str) -> str:
    return (
        f"MP3 of {path}, for listening only: coding shifts it by some samples, so do not import "
        "it. Turned down by one gain where its true peak is over -1 dBTP. Turn your level down "
        "before you listen, above all on headphones."
    )


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[Made]:
    """See ``Maker``."""
    sounds: Mapping[str, WrittenFile] = {
        _words(file.plan.path): file
        for file in (*handover.written, *handover.made)
        if isinstance(file, WrittenFile)
    }
    jobs = [_job(sounds[companion.words], companion, handover) for companion in companions]
    results = handover.engine.run(make_listening_copy, jobs)
    for job, result in zip(jobs, results, strict=True):
        if isinstance(result, JobDied):
            raise DeliveryError(
                f"{job.path}: could not be made: {result.reason}; nothing was published"
            )
        yield result


def _job(file: WrittenFile, companion: Companion, handover: Handover) -> ListeningJob:
    sound = file.after.sound
    assert sound is not None, "what is copied was decoded"
    return ListeningJob(
        file=handover.staging.file_for(file.plan.path),
        header=file.after.header,
        path=companion.path,
        target=handover.staging.file_for(companion.path),
        true_peak_dbtp=sound.level.true_peak_dbtp,
    )
