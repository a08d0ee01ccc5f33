"""Rough mix and minus-ones of each song: planned from the outputs, made together in one job."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stemprep.app.companions.maker import Handover, clear_path, song_folder
from stemprep.app.inspect import Inspection
from stemprep.engine import JobDied
from stemprep.errors import DeliveryError
from stemprep.intake import dry_twins, player_of
from stemprep.model.header import RF64_ABOVE_BYTES, AudioFormat, Bext
from stemprep.model.package import WrittenFile
from stemprep.model.plan import Companion, Operation, OutputPlan, Plan
from stemprep.model.rough_mix import MixPart, Recipe
from stemprep.model.words import CompanionKind, Role
from stemprep.naming import PathIndex
from stemprep.prepare.mixing import MIX_CHANNELS
from stemprep.prepare.outgoing import ORIGINATOR, coding_line
from stemprep.prepare.rough_mix import PAN_LAW, Candidate, rough_mix_recipe
from stemprep.work.mix import CEILING_DBTP, TARGET_LUFS, MixJob, MixOutput, MixSource, make_mixes

KINDS: tuple[CompanionKind, ...] = ("rough-mix", "minus-ones")
MADE_ROLE: Role = "rough-mix"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Axis:
    """Where the files of a mix lie: starts relative to the mix's, its length and time reference."""

    starts: tuple[int, ...]
    frames: int
    time_reference_samples: int | None


def recipes(inspection: Inspection, planned: Plan) -> tuple[Recipe, ...]:
    """What the rough mix of each song is made from, in the order of the package."""
    by_song: dict[str, list[OutputPlan]] = {}
    for output in planned.outputs:
        by_song.setdefault(output.song, []).append(output)
    return tuple(_recipe(song, outputs, inspection) for song, outputs in by_song.items())


def _recipe(song: str, outputs: Sequence[OutputPlan], inspection: Inspection) -> Recipe:
    files = {file.path: file for file in inspection.measured.files}
    twins = dry_twins((output.path, output.role) for output in outputs)
    candidates = [
        Candidate(
            output=output,
            file=files[output.sources[0]],
            player=player_of(output.sources[0], files[output.sources[0]].source.note),
            dry_twin_of=twins.get(output.path),
        )
        for output in outputs
    ]
    return rough_mix_recipe(song, candidates, _reference_mix(song, inspection))


def _reference_mix(song: str, inspection: Inspection) -> str | None:
    """Dropped path of the mix that the sheet names as the song's."""
    session = inspection.measured.session
    index = PathIndex((file.path for file in session.files), session.sheet_folder)
    notes = () if session.sheet is None else session.sheet.songs
    return next(
        (
            path
            for note in notes
            if note.reference_mix and (note.title == song or len(notes) == 1)
            for path in index.named_by(note.reference_mix)
        ),
        None,
    )


def plan_rough_mixes(inspection: Inspection, planned: Plan) -> Iterator[Companion]:
    """One a song that has files to add up and no mix of its own."""
    for recipe in recipes(inspection, planned):
        if recipe.supplied is None and len(recipe.parts) > 1:
            folder = song_folder(recipe.song, planned)
            yield Companion(
                kind="rough-mix",
                path=clear_path(f"{folder}rough-mixes/{recipe.title}.wav", planned),
                song=recipe.song,
                words=_rough_mix_words(recipe),
                made_from=_dropped(recipe.parts, planned),
            )


def plan_minus_ones(inspection: Inspection, planned: Plan) -> Iterator[Companion]:
    """One for each player of a song who can be left out so that others remain."""
    for recipe in recipes(inspection, planned):
        folder = song_folder(recipe.song, planned)
        for player in recipe.players:
            name = f"{recipe.title} without {player}".replace("/", "_")
            left_out = recipe.without(player)
            kept = tuple(part for part in recipe.parts if part not in left_out)
            yield Companion(
                kind="minus-ones",
                path=clear_path(f"{folder}minus-ones/{name}.wav", planned),
                song=recipe.song,
                words=_minus_one_words(recipe, player, left_out),
                made_from=_dropped(kept, planned),
            )


def _dropped(parts: Iterable[MixPart], planned: Plan) -> tuple[str, ...]:
    sources = {output.path: output.sources for output in planned.outputs}
    return tuple(sorted({path for part in parts for path in sources[part.path]}))


def _rough_mix_words(recipe: Recipe) -> str:
    return f"{recipe.title} of {len(recipe.parts)} files, {_balance_words(recipe)}; {_how_words()}."


def _balance_words(recipe: Recipe) -> str:
    if recipe.is_balanced:
        return f"levels and pans by the session sheet, {PAN_LAW}"
    stated = sum(part.level_db is not None for part in recipe.parts)
    which = (
        f"the session sheet gives a level for {stated} of them, the others stand as they are"
        if stated
        else "each at the level it has, because the session sheet gives none"
    )
    return f"{which}; {PAN_LAW}"


def _how_words() -> str:
    return (
        f"one gain for all to {TARGET_LUFS:g} LUFS with no true peak over {CEILING_DBTP:g} dBTP, "
        "no limiter"
    )


def _minus_one_words(recipe: Recipe, player: str, left_out: Sequence[MixPart]) -> str:
    names = ", ".join(part.path.rpartition("/")[2] for part in left_out)
    same = (
        "The rough mix"
        if recipe.supplied is None
        else f"A {recipe.title.casefold()} ({_balance_words(recipe)}; {_how_words()}; it is not "
        f"{recipe.supplied})"
    )
    return (
        f"{same} without {player}: {names} left out. What other microphones heard of that player "
        "(spill), and what shared effects hold of it, remains."
    )


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
    axis = _axis(files)
    form = _form(files, axis.frames)
    players = {left_out_player(recipe, companion): companion for companion in companions}
    return MixJob(
        sources=tuple(
            _source(part, file, start)
            for part, file, start in zip(recipe.parts, files, axis.starts, strict=True)
        ),
        outputs=tuple(
            MixOutput(
                output=_output(recipe, companion, player, form, axis),
                target=str(handover.staging.path_for(companion.path)),
                without=player,
            )
            for player, companion in players.items()
        ),
        settings=handover.inspection.spec.measure,
    )


def left_out_player(recipe: Recipe, companion: Companion) -> str | None:
    """Who is left out of a planned mix, told by its words as they were planned; None: nobody."""
    told = {
        _minus_one_words(recipe, player, recipe.without(player)): player
        for player in recipe.players
    }
    return told.get(companion.words)


def _source(part: MixPart, file: WrittenFile, start: int) -> MixSource:
    place = Path(file.staged)
    return MixSource(
        part=part,
        root=str(place.parent),
        raw_path=os.fsencode(place.name),
        header=file.after.header,
        audio_sha256=file.after.audio_sha256 or "",
        start_samples=start,
    )


def _axis(files: Sequence[WrittenFile]) -> _Axis:
    """Files stand by their time references where all have one, else by their first samples."""
    stamps = [file.after.header.time_reference_samples for file in files]
    known = [stamp for stamp in stamps if stamp is not None]
    first = min(known) if len(known) == len(stamps) else None
    starts = tuple(0 if first is None else (stamp or 0) - first for stamp in stamps)
    frames = max(
        start + file.after.header.frames for start, file in zip(starts, files, strict=True)
    )
    return _Axis(starts=starts, frames=frames, time_reference_samples=first)


def _form(files: Sequence[WrittenFile], frames: int) -> AudioFormat:
    """Stereo in the word length of most files."""
    forms = [file.after.format for file in files if file.after.format is not None]
    words = Counter((form.encoding, form.bit_depth, form.container_bits) for form in forms)
    encoding, bit_depth, container_bits = min(words, key=lambda word: (-words[word], word))
    form = AudioFormat(
        container="WAV",
        encoding=encoding,
        sample_rate_hz=forms[0].sample_rate_hz,
        channels=MIX_CHANNELS,
        bit_depth=bit_depth,
        container_bits=container_bits,
    )
    is_large = frames * form.frame_bytes > RF64_ABOVE_BYTES
    return replace(form, container="RF64") if is_large else form


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
                coding_line(step, form) for step in _told_in_history(operations)
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
        reason=_balance_words(recipe),
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


def _told_in_history(operations: Sequence[Operation]) -> Iterator[Operation]:
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
