"""The track sheet of each song, as a page and as a table: what each file is and where it begins."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from stemprep import __version__
from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.maker import Handover, Made, clear_path, song_folder
from stemprep.app.companions.mixes import KINDS as MIX_KINDS
from stemprep.app.companions.mixes import how_words, recipes
from stemprep.intake import player_of
from stemprep.model.package import WrittenFile
from stemprep.model.plan import Companion, Plan, StartReference
from stemprep.model.rough_mix import Recipe
from stemprep.model.sheet import SessionSheet, TrackNote
from stemprep.model.words import COMPANION_KINDS, CompanionKind, Role
from stemprep.naming import file_name, split_extension
from stemprep.report import (
    TrackRow,
    TrackSheet,
    figures,
    tempo_words,
    track_sheet_csv,
    track_sheet_html,
)

NAME = "track-sheet"
PAGE, TABLE = ".html", ".csv"
_MIX_ROLES: frozenset[Role] = frozenset(
    {"mix", "alternate-mix", "rough-mix", "listening-reference"}
)
_LISTED_APART: frozenset[CompanionKind] = frozenset({"track-sheet", "returns", "listening-copies"})
_ORDER_NUMBER = re.compile(r"(\d{2,3})[ _.-]+(?=.)")
_WORDS = {
    PAGE: "Track sheet, a page to read and print: set-up, where bar 1 is, what each file is.",
    TABLE: "Track sheet as a table for a spreadsheet, one line a file.",
}


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """A page and a table for each song."""
    for song in _songs(planned):
        for extension, words in _WORDS.items():
            yield Companion(
                kind="track-sheet",
                path=clear_path(f"{song_folder(song, planned)}{NAME}{extension}", planned),
                song=song,
                words=words,
            )


def _songs(planned: Plan) -> tuple[str, ...]:
    return tuple(dict.fromkeys(output.song for output in planned.outputs))


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[Made]:
    """See ``Maker``."""
    sheets = {
        song: _sheet(song, handover) for song in dict.fromkeys(each.song for each in companions)
    }
    for companion in companions:
        is_page = companion.path.endswith(PAGE)
        render = track_sheet_html if is_page else track_sheet_csv
        yield handover.staging.add_bytes(
            companion.path, render(sheets[companion.song]).encode("utf-8", "backslashreplace")
        )


def _sheet(song: str, handover: Handover) -> TrackSheet:
    sheet = handover.inspection.measured.session.sheet or SessionSheet()
    planned = handover.planned
    folder = song_folder(song, planned)
    files = [file for file in handover.written if file.plan.song == song]
    start = planned.references.get(song)
    return TrackSheet(
        title=song or sheet.title or "untitled song",
        artist=sheet.artist or "",
        package=handover.name,
        contact=contact_words(sheet),
        start=start,
        settings=tuple(_settings(song, files, sheet)),
        play_to=tuple(_play_to(song, folder, handover)),
        mixes=_mixes_words(song, handover),
        rows=tuple(_rows(song, folder, files, start, handover)),
        notes=() if not sheet.notes else (f"Notes of the sender: {sheet.notes}",),
        returns=_way_to_returns(folder, planned),
        version=__version__,
    )


def contact_words(sheet: SessionSheet) -> str:
    """Who sends and where questions go."""
    return ", ".join(filter(None, (sheet.engineer, sheet.contact))) or "not named by the sender"


def _settings(
    song: str, files: Sequence[WrittenFile], sheet: SessionSheet
) -> Iterator[tuple[str, str]]:
    yield "Format", form_words(files)
    tempo = tempo_words(song, sheet)
    if tempo:
        yield "Tempo", tempo
    lengths = {file.after.header.frames for file in files if file.plan.role not in _MIX_ROLES}
    if len(lengths) > 1:
        yield "Length", "the files are not all of one length; only their starts are common"


def form_words(files: Sequence[WrittenFile]) -> str:
    """Rate and word length of what is imported, each once: ``48 kHz, 24-bit``."""
    forms = [
        file.after.format
        for file in files
        if file.after.format is not None and file.after.format.encoding != "lossy"
    ]
    words = (f"{figures.rate(each.sample_rate_hz)}, {figures.word_length(each)}" for each in forms)
    return figures.and_list(list(dict.fromkeys(words))) or figures.UNKNOWN


def _way_to_returns(folder: str, planned: Plan) -> str:
    page = next(
        (
            each.path
            for each in planned.companions
            if each.kind == "returns" and each.path.endswith(PAGE)
        ),
        "",
    )
    return f"{'../' * folder.count('/')}{page}" if page else ""


def _play_to(song: str, folder: str, handover: Handover) -> Iterator[tuple[str, str]]:
    """Mixes first, then what goes without one player, then the rest; the MP3s told once."""
    planned = [each for each in handover.planned.companions if each.song == song]
    supplied = [
        file for file in handover.written if file.plan.song == song and file.plan.role in _MIX_ROLES
    ]
    for file in sorted(supplied, key=lambda file: file.plan.role == "click"):
        yield file.plan.path.removeprefix(folder), f"{file.plan.role}, as it was supplied"
    for kind in COMPANION_KINDS:
        for each in planned:
            if each.kind == kind and kind not in _LISTED_APART:
                yield each.path.removeprefix(folder), each.words
    copies = [each for each in planned if each.kind == "listening-copies"]
    if copies:
        where = copies[0].path.removeprefix(folder).rpartition("/")[0]
        yield f"{where}/", "MP3s of the mixes, to learn from. Not for import: coding shifts them."


def _mixes_words(song: str, handover: Handover) -> str:
    """How the mixes made here came about, told once for all of them; "" where none is made."""
    is_made = any(
        each.song == song and each.kind in MIX_KINDS for each in handover.planned.companions
    )
    how = how_words(_recipe_of(song, handover))
    return f"Mixes made for this package: {how}." if is_made else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _InMix:
    """What the recipe says of every file of a song."""

    parts: frozenset[str]
    reasons: Mapping[str, str]

    def words(self, path: str) -> str:
        if path in self.reasons:
            return f"no: {self.reasons[path]}"
        return "yes" if path in self.parts else ""


def _recipe_of(song: str, handover: Handover) -> Recipe:
    found = recipes(handover.inspection, handover.planned)
    return next(each for each in found if each.song == song)


def _in_mix(recipe: Recipe) -> _InMix:
    return _InMix(
        parts=frozenset(part.path for part in recipe.parts),
        reasons={each.path: each.reason for each in recipe.left_out},
    )


def _rows(
    song: str,
    folder: str,
    files: Sequence[WrittenFile],
    start: StartReference | None,
    handover: Handover,
) -> Iterator[TrackRow]:
    notes = {file.path: file.note for file in handover.inspection.measured.session.files}
    in_mix = _in_mix(_recipe_of(song, handover))
    rows = [
        _row(file, notes.get(file.plan.sources[0]), folder, start, in_mix)
        for file in files
        if file.plan.role not in _MIX_ROLES
    ]
    return iter(sorted(rows, key=lambda row: (not row.number, row.number)))


def _row(
    file: WrittenFile,
    note: TrackNote | None,
    folder: str,
    start: StartReference | None,
    in_mix: _InMix,
) -> TrackRow:
    note = note or TrackNote(pattern="")
    form = file.after.format
    stem = split_extension(file_name(file.plan.path))[0]
    number = _ORDER_NUMBER.match(stem)
    own = file.after.header.time_reference_samples
    is_with_all = start is not None and (own or 0) == (start.start_samples or 0)
    return TrackRow(
        number=number[1] if number else "",
        name=note.name or (stem[number.end() :] if number else stem),
        file=file.plan.path.removeprefix(folder),
        role=file.plan.role,
        source=note.source or player_of(file.plan.sources[0], note) or "",
        microphone=note.microphone or "",
        chain=f"printed with {note.chain}" if note.chain else "",
        take=note.take or "",
        use=_use_words(note),
        channels="" if form is None else figures.channels(form.channels),
        rate_hz=None if form is None else form.sample_rate_hz,
        start_samples=own,
        start_bar=_bar_words(start) if is_with_all else "",
        start_timecode=start.start_timecode or "" if start is not None and is_with_all else "",
        frames=file.after.header.frames,
        level_db=note.level_db,
        pan=_pan_words(note.pan),
        in_mix=in_mix.words(file.plan.path),
        notes="; ".join(filter(None, (", ".join(note.intended), note.notes))),
    )


def _bar_words(start: StartReference | None) -> str:
    """``bar 0 beat 1``: in words, because a spreadsheet takes ``0.1`` for a number."""
    if start is None or start.start_bar is None:
        return ""
    bar, _, beat = start.start_bar.partition(".")
    return f"bar {bar} beat {beat}"


def _use_words(note: TrackNote) -> str:
    alternate = f"alternate of {note.alternate_of}" if note.alternate_of else ""
    return alternate or ("" if note.use == "main" else note.use)


def _pan_words(pan: float | None) -> str:
    if pan is None:
        return ""
    return "centre" if pan == 0 else f"{abs(pan):g} {'left' if pan < 0 else 'right'}"
