"""HTML: one file, nothing fetched, nothing run, all text escaped; read by the stdlib parser."""

from __future__ import annotations

import base64
import hashlib
import re
import unicodedata
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from stemprep.model.report import Report
from stemprep.report import render_html
from tests.report import factory

GOLDEN = Path(__file__).parents[2] / "fixtures" / "report"
REPORTS = [factory.small, factory.three_songs, factory.hostile, factory.delivered]
VOID = {"meta"}
FORBIDDEN = {
    "script", "iframe", "object", "embed", "link", "base", "form", "img", "image", "use",
    "foreignobject", "audio", "video", "b", "i",
}  # fmt: skip


class Reader(HTMLParser):
    """Collects tags, attributes and text, and holds that every tag is closed in order."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


@pytest.fixture(params=REPORTS, ids=lambda make: str(make.__name__), scope="module")
def page(request: pytest.FixtureRequest) -> str:
    make: Callable[[], Report] = request.param
    return render_html(make())


def test_what_was_found_of_a_file_is_counted_in_words() -> None:
    found = [
        factory.finding(check, severity, "Kick.wav")
        for check, severity in (("hum", "note"), ("dc-offset", "note"), ("click", "warn"))
    ]
    page = render_html(factory.report([factory.measured_file("Kick.wav")], found))
    assert re.search("<td>(1 warn, 2 notes|2 notes, 1 warn)</td>", page)


def test_page_is_well_formed_and_runs_nothing(page: str) -> None:
    reader = Reader(page)
    assert not reader.open
    assert not {tag for tag, _ in reader.tags} & FORBIDDEN
    names = {name for _, attributes in reader.tags for name in attributes}
    assert not {name for name in names if name.startswith("on")}
    assert not names & {"src", "style", "srcset", "xlink:href", "action"}


def test_page_refers_to_nothing_outside_itself(page: str) -> None:
    reader = Reader(page)
    ids = {attributes["id"] for _, attributes in reader.tags if "id" in attributes}
    links = [attributes["href"] for _, attributes in reader.tags if "href" in attributes]
    assert links
    assert all(link and link[0] == "#" and link[1:] in ids for link in links)
    assert not re.search(r"url\(|@import|https?:", page)


def test_policy_allows_our_style_and_nothing_else(page: str) -> None:
    """Content Security Policy Level 3, section 2.3.1: a hash source names one inline style."""
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    assert style
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    policy = next(a["content"] for t, a in Reader(page).tags if t == "meta" and "http-equiv" in a)
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )


def test_nothing_hidden_reaches_the_page(page: str) -> None:
    found = {unicodedata.category(char) for char in page.replace("\n", "")}
    assert not found & {"Cc", "Cf", "Cs"}


def test_hostile_names_stay_text() -> None:
    text = "".join(Reader(render_html(factory.hostile())).text)
    for shown in (
        "<script>alert(1)</script>.wav",
        "gtr\\u202Evaw.exe.wav",
        "two\\x0Alines\\x1B[31m.wav",
        'quote" onload="x\' & <b>.wav',
        "{{ 7 * 7 }} {% raw %}.wav",
        "half\\x80byte.wav",
    ):
        assert shown in text


def test_summary_first_then_waived_then_worst() -> None:
    page = render_html(factory.three_songs())
    places = [
        page.index(mark)
        for mark in (
            "<h1>fail, 3 waived</h1>",
            "<h2>The set</h2>",
            "<h2>Waived",
            "<h2>Must be put right",
            "<h2>To be decided",
            "<h2>Good to know",
            "<h2>Files, the worst first",
        )
    ]
    assert places == sorted(places)


def test_files_stand_worst_first() -> None:
    page = render_html(factory.three_songs())
    order = re.findall(r'<article class="file" id="file-(\d+)">', page)
    assert len(order) == 24
    assert order[:4] == ["5", "8", "14", "16"]


def test_findings_are_marked_at_their_time_by_shape_and_label() -> None:
    page = render_html(factory.three_songs())
    section = page[page.index('<article class="file" id="file-16">') :]
    section = section[: section.index("</article>")]
    assert section.count('class="bar"') == 10
    assert "1 clipping (fail)" in section
    # 700000 of 11078880 frames in a picture 900 units wide: 56.9 from the left.
    assert '<rect class="bar" x="56.9"' in section


def test_every_readable_file_has_its_waveform() -> None:
    page = render_html(factory.three_songs())
    assert page.count("<svg ") == 23


def test_long_lists_are_folded() -> None:
    assert "<summary>and 3 more</summary>" in render_html(factory.three_songs())


def test_a_table_keeps_its_head_row_on_every_printed_page_and_its_words_whole() -> None:
    page = render_html(factory.three_songs())
    printed = page.partition("@media print {")[2].partition("\n")[0]
    assert re.search(r"thead \{[^}]*display: table-header-group", printed)
    assert page.count('<div class="wide">') == page.count("<table") > 0


def test_same_report_same_bytes() -> None:
    assert render_html(factory.three_songs()) == render_html(factory.three_songs())


def test_golden_page() -> None:
    expected = (GOLDEN / "small.html").read_text(encoding="utf-8")
    assert render_html(factory.small()) == expected
