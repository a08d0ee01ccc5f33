"""Rough mix and minus-ones of each song, planned from the outputs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.maker import clear_path, song_folder
from stemprep.intake import dry_twins, player_of
from stemprep.model.plan import Companion, OutputPlan, Plan
from stemprep.model.rough_mix import MixPart, Recipe
from stemprep.model.words import CompanionKind
from stemprep.naming import PathIndex
from stemprep.prepare.rough_mix import PAN_LAW, Candidate, rough_mix_recipe
from stemprep.work.mix import CEILING_DBTP, TARGET_LUFS

KINDS: tuple[CompanionKind, ...] = ("rough-mix", "minus-ones")


def recipes(inspection: Inspection, planned: Plan) -> tuple[Recipe, ...]:
    """What the rough mix of each song is made from, in the order of the package."""
    by_song: dict[str, list[OutputPlan]] = {}
    for output in planned.outputs:
        by_song.setdefault(output.song, []).append(output)
    return tuple(_recipe(song, outputs, inspection) for song, outputs in by_song.items())


def _recipe(song: str, outputs: Sequence[OutputPlan], inspection: Inspection) -> Recipe:
    files = {file.path: file for file in inspection.measured.files}
    twins = _dry_twins(outputs)
    candidates = [
        Candidate(
            output=output,
            file=files[output.sources[0]],
            player=player_of(output.sources[0], files[output.sources[0]].source.note),
            dry_twin_of=twins.get(output.path),
        )
        for output in outputs
    ]
    return rough_mix_recipe(
        song,
        candidates,
        _reference_mix(song, inspection),
        inspection.judgement.set_facts.null_tests,
    )


def _dry_twins(outputs: Sequence[OutputPlan]) -> dict[str, str]:
    """Package paths of dry files and of what holds their effect, by dropped or delivered names."""
    paths = {output.sources[0]: output.path for output in outputs}
    dropped = dry_twins((output.sources[0], output.role) for output in outputs)
    delivered = dry_twins((output.path, output.role) for output in outputs)
    return {paths[dry]: paths[printed] for dry, printed in dropped.items()} | delivered


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
    taken: list[str] = []
    for recipe in recipes(inspection, planned):
        if recipe.supplied is None and len(recipe.parts) > 1:
            folder = song_folder(recipe.song, planned)
            taken.append(clear_path(f"{folder}rough-mixes/{recipe.title}.wav", planned, taken))
            yield Companion(
                kind="rough-mix",
                path=taken[-1],
                song=recipe.song,
                words=_rough_mix_words(recipe),
                made_from=_dropped(recipe.parts, planned),
            )


def plan_minus_ones(inspection: Inspection, planned: Plan) -> Iterator[Companion]:
    """One for each player of a song who can be left out so that others remain."""
    taken: list[str] = []
    for recipe in recipes(inspection, planned):
        folder = song_folder(recipe.song, planned)
        for player in recipe.players:
            name = f"{recipe.title} without {player}".replace("/", "_")
            left_out = recipe.without(player)
            kept = tuple(part for part in recipe.parts if part not in left_out)
            taken.append(clear_path(f"{folder}minus-ones/{name}.wav", planned, taken))
            yield Companion(
                kind="minus-ones",
                path=taken[-1],
                song=recipe.song,
                words=_minus_one_words(recipe, player, left_out),
                made_from=_dropped(kept, planned),
            )


def _dropped(parts: Iterable[MixPart], planned: Plan) -> tuple[str, ...]:
    sources = {output.path: output.sources for output in planned.outputs}
    return tuple(sorted({path for part in parts for path in sources[part.path]}))


def _rough_mix_words(recipe: Recipe) -> str:
    return f"{recipe.title} of {len(recipe.parts)} files, {how_words(recipe)}."


def balance_words(recipe: Recipe) -> str:
    """By which levels and pans the parts are added up."""
    if recipe.adds_up_to is not None:
        return f"each at the level it has, because they add up to {recipe.adds_up_to} (null test)"
    if recipe.is_balanced:
        return f"levels and pans by the session sheet, {PAN_LAW}"
    stated = sum(part.level_db is not None for part in recipe.parts)
    which = (
        f"the session sheet gives a level for {stated} of them, the others stand as they are"
        if stated
        else "each at the level it has, because the session sheet gives none"
    )
    return f"{which}; {PAN_LAW}"


def how_words(recipe: Recipe) -> str:
    """How the mixes of a song are made: levels, pans, the one gain."""
    return (
        f"{balance_words(recipe)}; one gain for all to {TARGET_LUFS:g} LUFS with no true peak "
        f"over {CEILING_DBTP:g} dBTP, no limiter"
    )


def _minus_one_words(recipe: Recipe, player: str, left_out: Sequence[MixPart]) -> str:
    names = ", ".join(part.path.rpartition("/")[2] for part in left_out)
    origin = (
        "" if recipe.supplied is None else f", not made from {recipe.supplied.rpartition('/')[2]}"
    )
    return (
        f"{recipe.title} of the files here{origin}; without {player}: {names}. Spill and shared "
        "effects remain."
    )


def left_out_player(recipe: Recipe, companion: Companion) -> str | None:
    """Who is left out of a planned mix, told by its words as they were planned; None: nobody."""
    players = {
        _minus_one_words(recipe, player, recipe.without(player)): player
        for player in recipe.players
    }
    return players.get(companion.words)
