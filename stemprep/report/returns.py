"""What an overdub room is asked to send back: one page, and a sheet to fill in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.model.csv_table import csv_table
from stemprep.model.plan import StartReference
from stemprep.report.note import HEARING_WORDS
from stemprep.report.start_words import StartRow, columns_in_use, start_rows, start_sentence
from stemprep.report.templates import environment, stylesheet

_COLUMNS = (
    "file", "song", "part", "player", "take", "kept_or_alternate", "dry_or_effect",
    "same_start", "microphone", "printed_with", "notes",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SongToReturn:
    """What files of one song have to be like.

    title: "" where the package has one song; form: rate and word length in words.
    click: path of a click in the package by which a room can measure its own delay; "" without.
    """

    title: str
    form: str
    start: StartReference | None
    click: str = ""

    @property
    def rows(self) -> tuple[StartRow, ...]:
        """See ``start_rows``."""
        return start_rows(self.start)

    @property
    def has(self) -> dict[str, bool]:
        """See ``columns_in_use``."""
        return columns_in_use(self.rows)

    @property
    def sentence(self) -> str:
        """See ``start_sentence``."""
        return start_sentence(self.start)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnPage:
    """Everything the page tells; sheet: file name of the sheet to fill in."""

    title: str
    package: str
    contact: str
    songs: tuple[SongToReturn, ...]
    sheet: str
    version: str = ""


def returns_csv() -> str:
    """The sheet to fill in: its heading, one line a file to be written below."""
    return csv_table(_COLUMNS, [])


def returns_html(page: ReturnPage) -> str:
    """One page without script, nothing fetched, every text escaped."""
    style, digest = stylesheet("sheets.css")
    return (
        environment()
        .get_template("returns.html")
        .render(
            style=style,
            style_hash=digest,
            page=page,
            columns=_column_words(),
            has_click=any(song.click for song in page.songs),
            caution=HEARING_WORDS,
        )
    )


def _column_words() -> Sequence[tuple[str, str]]:
    """What belongs into each column of the sheet; words that need no telling are left out."""
    return (
        ("file, part", "the file's name, and what it is: solo guitar, second voice"),
        ("song, player, take", "which song it belongs to, who plays, and which attempt it is"),
        ("kept_or_alternate", "kept: the one to use; alternate: another to choose from"),
        ("dry_or_effect", "dry: without effect; effect: the effect alone; printed: both in one"),
        ("same_start", "yes; if not, where in the song the file begins"),
        ("microphone, printed_with", "how it was recorded, and what cannot be taken off again"),
        ("notes", "your recording offset in samples, and whatever else the mixer should know"),
    )
