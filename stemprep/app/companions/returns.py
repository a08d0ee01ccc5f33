"""The folder for what comes back: a page on what to send, and a sheet to fill in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stemprep import __version__
from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.maker import Handover, Made, clear_path
from stemprep.app.companions.track_sheet import PAGE, TABLE, contact_words, form_words
from stemprep.model.plan import Companion, Plan
from stemprep.model.sheet import SessionSheet
from stemprep.naming import file_name
from stemprep.report import ReturnPage, SongToReturn, returns_csv, returns_html

FOLDER = "returns"
_WORDS = {
    f"{FOLDER}/what-to-send-back{PAGE}": "What to send back and how, on one page.",
    f"{FOLDER}/returned-files{TABLE}": "Sheet to fill in: one line for each file that comes back.",
}


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """One page and one sheet for the whole package."""
    for path, words in _WORDS.items():
        yield Companion(kind="returns", path=clear_path(path, planned), song="", words=words)


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[Made]:
    """See ``Maker``."""
    table = next(each.path for each in companions if each.path.endswith(TABLE))
    for companion in companions:
        text = returns_csv() if companion.path == table else returns_html(_page(table, handover))
        yield handover.staging.add_bytes(companion.path, text.encode("utf-8", "backslashreplace"))


def _page(table: str, handover: Handover) -> ReturnPage:
    sheet = handover.inspection.measured.session.sheet or SessionSheet()
    songs = tuple(dict.fromkeys(output.song for output in handover.planned.outputs))
    return ReturnPage(
        title=" - ".join(filter(None, (sheet.artist, sheet.title))) or "Overdubs",
        package=handover.name,
        contact=contact_words(sheet),
        songs=tuple(_song(song, handover, is_named=len(songs) > 1) for song in songs),
        sheet=file_name(table),
        version=__version__,
    )


def _song(song: str, handover: Handover, *, is_named: bool) -> SongToReturn:
    files = [
        file
        for file in handover.written
        if file.plan.song == song and file.plan.role not in ("listening-reference", "mix")
    ]
    clicks = (
        each.path
        for each in handover.planned.companions
        if each.kind == "click" and each.song == song
    )
    return SongToReturn(
        title=(song or "other") if is_named else "",
        form=f"WAV, {form_words(files)}",
        start=handover.planned.references.get(song),
        click=next(clicks, ""),
    )
