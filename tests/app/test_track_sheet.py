"""The track sheet and the page for what comes back: read from the package alone."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

import pytest

from stemprep.app.delivery.deliver import deliver
from stemprep.engine import InlineEngine
from tests import signals
from tests.app.mix_drops import make_drop

BAR_1 = """\
songs:
  - title: Slow Ferry Home
    bar_1: {samples: 9600}
    tempo_map: [{bar: 1, tempo_bpm: 92, meter: 4/4}]
"""


@dataclass
class Page(HTMLParser):
    """Tags, attributes and text of a page."""

    text: list[str] = field(default_factory=list)
    tags: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the tag."""
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        """Keep the text."""
        self.text.append(data)

    @property
    def words(self) -> str:
        """All text with single spaces."""
        return " ".join("".join(self.text).split())


def page_of(path: Path) -> Page:
    """Read a page of the package."""
    page = Page()
    page.feed(path.read_text(encoding="utf-8"))
    return page


def delivered(place: Path, drop: Path) -> Path:
    """The payload of the drop's overdub package."""
    report = deliver(drop, "overdub", [place / "out"], engine=InlineEngine())
    assert report.package is not None
    return Path(report.package) / "data"


@pytest.fixture(scope="module")
def payload(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("sheets")
    drop = make_drop(place / "drop")
    sheet = drop / "session.yaml"
    sheet.write_text(
        sheet.read_text().replace(
            "tracks:\n",
            "engineer: M. Kestrel\ncontact: Quillmoor Mill, extension 12\n"
            + BAR_1
            + 'tracks:\n  - {file: "Lead Vox.wav", name: "=SUM(1)", notes: "@loud <b>", '
            "level_db: -8}\n",
            1,
        )
    )
    return delivered(place, drop)


def rows_of(path: Path) -> list[dict[str, str]]:
    """A table as a spreadsheet reads it."""
    text = path.read_bytes().decode("utf-8")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_the_table_has_a_row_for_every_track(payload: Path) -> None:
    rows = rows_of(payload / "track-sheet.csv")
    files = {row["file"] for row in rows}
    written = {
        path.relative_to(payload).as_posix()
        for folder in ("tracks", "effect-returns", "guides", "click")
        for path in (payload / folder).iterdir()
        if path.name != "click.wav"  # made, not recorded: told among what is there to play to
    }
    assert files == written
    assert [row["order"] for row in rows] == [f"{number:02d}" for number in range(1, 13)]
    by_name = {row["name"]: row for row in rows}
    assert by_name["Gtr"]["level_db"] == "-2.0"
    assert by_name["Gtr"]["pan"] == "50 left"
    assert by_name["Gtr"]["channels"] == "mono"
    assert by_name["Gtr"]["in_made_mixes"] == "yes"
    assert by_name["Bass DI"]["in_made_mixes"] == "no: a DI whose amplifier is there"
    assert by_name["Overheads"]["channels"] == "stereo"
    assert by_name["Overheads"]["length_samples"] == str(96_000 - 9_600 + 125_217)
    assert by_name["Overheads"]["start_bar"] == "bar 0 beat 1"


def test_no_cell_runs_as_a_formula(payload: Path) -> None:
    for row in rows_of(payload / "track-sheet.csv"):
        for column, value in row.items():
            is_number = column in ("level_db", "start_samples")
            assert is_number or not value.startswith(("=", "+", "-", "@"))
    assert any(row["name"] == "'=SUM(1)" for row in rows_of(payload / "track-sheet.csv"))


def test_the_page_tells_what_it_is_where_bar_1_is_and_how_to_send_back(payload: Path) -> None:
    words = page_of(payload / "track-sheet.html").words
    assert "12 tracks of this song as recorded so far" in words
    assert "Import all files, MP3s apart, at one position" in words
    # Sound before bar 1 is not cut: one bar of 4 x 60 / 92 s, 125,217.4 samples (worked by hand).
    assert "Bar 1, beat 1 lies 125,217 samples (0:02.609) after the first sample" in words
    assert "1 bar before bar 1 (bar 0)" in words
    assert "48 kHz, 24-bit" in words
    assert "92 BPM 4/4" in words
    assert "play the click out, record it back by a cable" in words  # by air: the way to the ear
    assert "not made from" not in words  # no mix was supplied: there is nothing to mistake it for
    assert words.count("Spill and shared effects remain.") == 4
    assert "turn the level down" in words
    assert "Local rules for hearing protection go before this advice" in words
    assert "returns/what-to-send-back.html" in words
    assert "M. Kestrel, Quillmoor Mill, extension 12" in words


def test_the_return_page_asks_for_all_that_makes_files_fit(payload: Path) -> None:
    words = page_of(payload / "returns/what-to-send-back.html").words
    for told in (
        "Only what you recorded",
        "The same start",
        "The same sample rate and word length",
        "Dry and effect apart",
        "Kept and alternate takes marked",
        "WAV, 48 kHz, 24-bit",
        "Bar 1, beat 1 lies 125,217 samples",
        "returned-files.csv",
        "take down monitors and headphones first",
        "song, player, take",
        "M. Kestrel, Quillmoor Mill, extension 12",
    ):
        assert told in words
    table = (payload / "returns/returned-files.csv").read_bytes()
    assert table.startswith(b"file,song,part,player,take,kept_or_alternate,dry_or_effect,")
    assert table.count(b"\r\n") == 1


@pytest.mark.parametrize("name", ["track-sheet.html", "returns/what-to-send-back.html"])
def test_pages_fetch_nothing_and_run_nothing(payload: Path, name: str) -> None:
    page = page_of(payload / name)
    policies = [
        attributes["content"]
        for tag, attributes in page.tags
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    assert len(policies) == 1
    assert (policies[0] or "").startswith("default-src 'none'; style-src 'sha256-")
    assert not {tag for tag, _ in page.tags} & {"script", "img", "link", "iframe", "b", "object"}
    for _, attributes in page.tags:
        assert not any(key.startswith("on") or key in ("src", "style") for key in attributes)
        assert not (attributes.get("href") or "").startswith(("http", "/", "javascript"))


def test_the_pages_link_leads_to_the_return_page(payload: Path) -> None:
    links = [at["href"] for tag, at in page_of(payload / "track-sheet.html").tags if tag == "a"]
    assert [(payload / str(link)).is_file() for link in links] == [True]


def test_an_unknown_bar_1_is_told_with_its_reason(tmp_path: Path) -> None:
    words = page_of(delivered(tmp_path, make_drop(tmp_path / "drop")) / "track-sheet.html").words
    assert "Where bar 1 lies is not known" in words
    assert "does not say where bar 1 lies" in words
    assert "keep their common start" in words


def test_every_song_has_a_sheet_and_one_page_speaks_of_all(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    for song in ("Low Water", "High: Water"):
        (drop / song).mkdir(parents=True)
        for seed, name in enumerate(("Kick", "Bass", "Vox")):
            signals.write_wav(
                drop / song / f"{name}.wav", signals.pluck(peak_dbfs=-9, seconds=1, seed=seed)
            )
    payload = delivered(tmp_path, drop)
    for folder in ("Low Water", "High_ Water"):
        assert (payload / folder / "track-sheet.csv").is_file()
        page = page_of(payload / folder / "track-sheet.html")
        links = [attributes["href"] for tag, attributes in page.tags if tag == "a"]
        assert [(payload / folder / str(link)).is_file() for link in links] == [True]
        assert (payload / folder / "minus-ones").is_dir()
    words = page_of(payload / "returns/what-to-send-back.html").words
    assert "Format and start of Low Water" in words
    assert "Format and start of High: Water" in words
