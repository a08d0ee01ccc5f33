"""The track sheet of a song: what each file is, where it begins and what it sounds like beside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.model.csv_table import csv_table
from stemprep.model.plan import StartReference
from stemprep.report import figures
from stemprep.report.note import HEARING_WORDS
from stemprep.report.start_words import StartRow, columns_in_use, start_rows, start_sentence
from stemprep.report.templates import environment, stylesheet
from stemprep.units import clock_from_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackRow:
    """One file, in words.

    number:    order number; name: what the track is called; file: path from the sheet's folder.
    start_samples: time reference of its first sample; None where it has none.
    level_db, pan: by the session sheet; None and "" where it says nothing.
    in_mix:    ``yes``, or why it is not in the mixes made here.
    """

    number: str
    name: str
    file: str
    role: str
    source: str = ""
    microphone: str = ""
    chain: str = ""
    take: str = ""
    use: str = ""
    channels: str = ""
    rate_hz: int | None = None
    start_samples: int | None = None
    start_bar: str = ""
    start_timecode: str = ""
    frames: int = 0
    level_db: float | None = None
    pan: str = ""
    in_mix: str = ""
    notes: str = ""

    @property
    def length(self) -> str:
        """``3:41.200``; in samples where no rate is known."""
        return clock_from_samples(self.frames, self.rate_hz) if self.rate_hz else str(self.frames)

    @property
    def what(self) -> str:
        """Source, microphone and what was printed with it, for one cell."""
        return ", ".join(filter(None, (self.source, self.microphone, self.chain)))

    @property
    def balance(self) -> str:
        """Level and pan for one cell."""
        level = "" if self.level_db is None else f"{self.level_db:+.1f} dB"
        return ", ".join(filter(None, (level, self.pan)))

    @property
    def remarks(self) -> str:
        """Take, use and notes for one cell."""
        return "; ".join(filter(None, (self.take and f"take {self.take}", self.use, self.notes)))


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackSheet:
    """Everything the sheet of one song tells.

    settings: labels and words for the session to be set up (rate, word length, tempo).
    play_to:  files to play along with: path from the sheet's folder, words.
    mixes:    how the mixes made here came about; "" where none was made.
    returns:  path from the sheet's folder to the page about sending back; "" without one.
    """

    title: str
    artist: str
    package: str
    contact: str
    start: StartReference | None
    settings: tuple[tuple[str, str], ...]
    play_to: tuple[tuple[str, str], ...]
    rows: tuple[TrackRow, ...]
    notes: tuple[str, ...] = ()
    mixes: str = ""
    returns: str = ""
    version: str = ""

    @property
    def what(self) -> str:
        """What the package is to the reader, in two sentences."""
        count = figures.plural(len(self.rows), "track")
        return (
            f"{count} of this song as recorded so far, to be played to and recorded on top of. "
            "What comes back is only what is new."
        )

    @property
    def start_rows(self) -> tuple[StartRow, ...]:
        """See ``start_rows``."""
        return start_rows(self.start)


_COLUMNS = (
    "order", "name", "file", "role", "source", "microphone", "printed_with", "take", "use",
    "channels", "sample_rate_hz", "start_samples", "start_bar", "start_timecode",
    "length_samples", "length", "level_db", "pan", "in_made_mixes", "notes",
)  # fmt: skip


def track_sheet_csv(sheet: TrackSheet) -> str:
    """One row a file; see ``csv_table``."""
    return csv_table(_COLUMNS, [_cells(row) for row in sheet.rows])


def _cells(row: TrackRow) -> Sequence[object]:
    return (
        row.number, row.name, row.file, row.role, row.source, row.microphone, row.chain, row.take,
        row.use, row.channels, row.rate_hz, row.start_samples, row.start_bar, row.start_timecode,
        row.frames, row.length, row.level_db, row.pan, row.in_mix, row.notes,
    )  # fmt: skip


def track_sheet_html(sheet: TrackSheet) -> str:
    """One page without script, nothing fetched, every text escaped."""
    style, digest = stylesheet("sheets.css")
    return (
        environment()
        .get_template("track_sheet.html")
        .render(
            style=style,
            style_hash=digest,
            sheet=sheet,
            has=_columns_in_use(sheet),
            start_sentence=start_sentence(sheet.start),
            caution=HEARING_WORDS,
        )
    )


def _columns_in_use(sheet: TrackSheet) -> dict[str, bool]:
    """Which columns say something."""
    return {
        **columns_in_use(sheet.start_rows),
        "balance": any(row.balance for row in sheet.rows),
        "remarks": any(row.remarks for row in sheet.rows),
        "what": any(row.what for row in sheet.rows),
        "in_mix": bool(sheet.mixes),
    }
