"""Make the planned rough mixes and minus-ones of a package, a job a song."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from stemprep.app.companions.bars import meant_stamps
from stemprep.app.companions.maker import Handover, form_like_most
from stemprep.app.companions.mixes import KINDS, balance_words, left_out_player, recipes
from stemprep.engine import JobDied
from stemprep.errors import DeliveryError
from stemprep.model.header import AudioFormat, Bext
from stemprep.model.package import WrittenFile
from stemprep.model.plan import Companion, Operation, OutputPlan
from stemprep.model.rough_mix import MixPart, Recipe
from stemprep.model.words import Role
from stemprep.prepare.mixing import MIX_CHANNELS
from stemprep.prepare.outgoing import ORIGINATOR, coding_line
from stemprep.work.mix import MixJob, MixOutput, MixSource, make_mixes

_MOST_APART_S = 3600
MADE_ROLE: Role = "rough-mix"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Axis:
    """Where the files of a mix lie: starts relative to the mix's, its length and time reference."""

    starts: tuple[int, ...]
    frames: int
    time_reference_samples: int | None


def make_songs_mixes(handover: Handover) -> tuple[WrittenFile, ...]:
    """Make every planned rough mix and minus-one that is not made yet, a job a song."""
    done = {made.plan.path for made in handover.made if isinstance(made, WrittenFile)}
    due: dict[str, list[Companion]] = {}
    for companion in handover.planned.companions:
        if companion.kind in KINDS and companion.path not in done:
            due.setdefault(companion.song, []).append(companion)
    by_song = {recipe.song: recipe for recipe in recipes(handover.inspection, handover.planned)}
    jobs = [_job(by_song[song], companions, handover) for song, companions in due.items()]
    results = handover.engine.run(make_mixes, jobs)
    return tuple(
        file for job, result in zip(jobs, results, strict=True) for file in _of(result, job)
    )


def _of(result: tuple[WrittenFile, ...] | JobDied, job: MixJob) -> tuple[WrittenFile, ...]:
    if isinstance(result, JobDied):
        raise DeliveryError(
            f"{job.outputs[0].output.path}: could not be made: {result.reason}; "
            "nothing was published"
        )
    return result


def _job(recipe: Recipe, companions: Sequence[Companion], handover: Handover) -> MixJob:
    written = {file.plan.path: file for file in handover.written}
    files = [written[part.path] for part in recipe.parts]
    operations = handover.inspection.spec.operations
    axis = _axis(files, is_common_start=operations.is_common_start)
    forms = [file.after.format for file in files if file.after.format is not None]
    form = form_like_most(forms, MIX_CHANNELS, axis.frames)
    players = {left_out_player(recipe, companion): companion for companion in companions}
    return MixJob(
        sources=tuple(
            _source(part, file, start, handover)
            for part, file, start in zip(recipe.parts, files, axis.starts, strict=True)
        ),
        outputs=tuple(
            MixOutput(
                output=_output(recipe, companion, player, form, axis),
                target=handover.staging.file_for(companion.path),
                without=player,
            )
            for player, companion in players.items()
        ),
        settings=handover.inspection.spec.measure,
    )


def _source(part: MixPart, file: WrittenFile, start: int, handover: Handover) -> MixSource:
    return MixSource(
        part=part,
        file=handover.staging.file_for(file.plan.path),
        header=file.after.header,
        audio_sha256=file.after.audio_sha256 or "",
        start_samples=start,
    )


def _axis(files: Sequence[WrittenFile], *, is_common_start: bool) -> _Axis:
    """Files stand by their first samples where they were to begin together, as the tracks do.

    Else they stand by their time references, where all have one and these lie close enough. What
    has none lies at the first sample of the others, where these agree.
    """
    known = meant_stamps(files)
    first = min(known, default=None)
    if first is None or max(known) == first:
        starts = (0,) * len(files)
    elif (
        is_common_start
        or len(known) < len(files)
        or max(known) - first > _MOST_APART_S * _rate_of(files[0])
    ):
        first, starts = None, (0,) * len(files)  # which of the two is right, nobody knows
    else:
        starts = tuple(stamp - first for stamp in known)
    frames = max(
        start + file.after.header.frames for start, file in zip(starts, files, strict=True)
    )
    return _Axis(starts=starts, frames=frames, time_reference_samples=first)


def _rate_of(file: WrittenFile) -> int:
    assert file.after.format is not None, "a part has a format"
    return file.after.format.sample_rate_hz


def _output(
    recipe: Recipe, companion: Companion, player: str | None, form: AudioFormat, axis: _Axis
) -> OutputPlan:
    name = companion.path.rpartition("/")[2].removesuffix(".wav")
    operations = _operations(recipe, player, form)
    start = axis.time_reference_samples
    return OutputPlan(
        sources=(),
        path=companion.path,
        role=MADE_ROLE,
        song=recipe.song,
        operations=operations,
        format=form,
        frames=axis.frames,
        bext=None
        if start is None
        else Bext(
            description=name,
            originator=ORIGINATOR,
            time_reference_samples=start,
            umid=bytes(64),
            coding_history="".join(
                coding_line(step, form) for step in _coding_history_steps(operations)
            ),
        ),
        track_names=(f"{name} L", f"{name} R"),
    )


def _operations(recipe: Recipe, player: str | None, form: AudioFormat) -> tuple[Operation, ...]:
    """The steps but for the gain, which is known once the sum was measured."""
    left_out = () if player is None else recipe.without(player)
    kept = [part for part in recipe.parts if part not in left_out]
    faders: Mapping[str, str] = {part.path: fader_words(part) for part in kept}
    added = Operation(
        name="sum",
        parameters={"files": len(kept), "without": player, **faders},
        reason=balance_words(recipe),
        evidence="float64, in the order of the paths",
    )
    if form.encoding == "float":
        return (added,)
    word = Operation(
        name="convert-word-length",
        parameters={"from_bits": 64, "to_bits": form.bit_depth, "dither": "tpdf"},
        reason="the word length of the files it is made from",
        evidence="a computed result is rounded once, with dither",
    )
    return added, word


def _coding_history_steps(operations: Sequence[Operation]) -> Iterator[Operation]:
    """Coding history is one short line a step: the faders stand in the manifest."""
    for step in operations:
        short = {
            name: step.parameters[name]
            for name in ("files", "without", "to_bits", "dither")
            if step.parameters.get(name) is not None
        }
        yield replace(step, parameters=short)


def fader_words(part: MixPart) -> str:
    """``-6.0 dB, 30 left``; unity and centre where the sheet says nothing."""
    level = "0.0 dB" if not part.level_db else f"{part.level_db:+.1f} dB"
    pan = part.pan or 0.0
    side = "centre" if pan == 0 else f"{abs(pan):g} {'left' if pan < 0 else 'right'}"
    return f"{level}, {side}"
