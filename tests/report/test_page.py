"""HTML: one file, nothing fetched, nothing run but ours, all text escaped; read by the stdlib."""

from __future__ import annotations

import base64
import hashlib
import re
import unicodedata
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from stemprep.model.density import Density
from stemprep.model.finding import Occurrence, Occurrences
from stemprep.model.report import Report
from stemprep.report import render_html
from tests.report import factory

GOLDEN = Path(__file__).parents[2] / "fixtures" / "report"
REPORTS = [factory.small, factory.three_songs, factory.hostile, factory.delivered]
VOID = {"meta", "input", "br"}
FORBIDDEN = {
    "iframe", "object", "embed", "link", "base", "form", "img", "image", "use",
    "foreignobject", "video", "b", "i",
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
    assert re.search('class="found">(1 warn, 2 notes|2 notes, 1 warn)</span>', page)


def test_page_is_well_formed_and_runs_nothing_but_its_script(page: str) -> None:
    reader = Reader(page)
    assert not reader.open
    assert not {tag for tag, _ in reader.tags} & FORBIDDEN
    assert [attributes for tag, attributes in reader.tags if tag == "script"] == [{}]
    names = {name for _, attributes in reader.tags for name in attributes}
    assert not {name for name in names if name.startswith("on")}
    assert not names & {"style", "srcset", "xlink:href", "action"}
    sources = [attributes["src"] for _, attributes in reader.tags if "src" in attributes]
    assert all(str(source).startswith("data:audio/flac;base64,") for source in sources)


def test_page_refers_to_nothing_outside_itself(page: str) -> None:
    reader = Reader(page)
    ids = {attributes["id"] for _, attributes in reader.tags if "id" in attributes}
    links = [attributes["href"] for _, attributes in reader.tags if "href" in attributes]
    assert links
    assert all(link and link[0] == "#" and link[1:] in ids for link in links)
    namespace = "http://www.w3.org/2000/svg"  # a name, fetched by nobody
    assert not re.search(r"url\(|@import|https?:|fetch\(|import\(", page.replace(namespace, ""))


def test_policy_allows_our_style_and_script_and_nothing_else(page: str) -> None:
    """Content Security Policy Level 3, section 2.3.1: a hash source names one inline element."""
    digests = []
    for tag in ("style", "script"):
        held = re.search(f"<{tag}>(.*?)</{tag}>", page, re.DOTALL)
        assert held
        digests.append(base64.b64encode(hashlib.sha256(held[1].encode()).digest()).decode())
    policy = next(a["content"] for t, a in Reader(page).tags if t == "meta" and "http-equiv" in a)
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digests[0]}'; script-src 'sha256-{digests[1]}'; "
        "media-src data:; base-uri 'none'; form-action 'none'"
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


def test_the_verdict_is_a_sentence_and_the_worst_comes_first() -> None:
    page = render_html(factory.three_songs())
    places = [
        page.index(mark)
        for mark in (
            "<span>fail, 3 waived</span>",
            "<h1>4 files must be fixed first: 1 unreadable, 2 clipped, 1 in another format. "
            "4 files more need a look: 1 empty, 3 with true peaks too high.</h1>",
            '<ol class="cards">',
            "<h2>Cannot be read</h2>",
            "<h2>Clipped</h2>",
            "<h2>Another format than the rest</h2>",
            "<h2>Empty file</h2>",
            "12 notes, good to know",
            "<h2>Waived",
            "<h2>Every file on its timeline</h2>",
            "<h2>The set</h2>",
        )
    ]
    assert places == sorted(places)


def test_at_most_five_cards_then_the_rest_folded() -> None:
    checks = ("click", "dropout", "clipping", "cut-off", "hum", "dc-offset", "name")
    found = [factory.finding(check, "warn", "Kick.wav") for check in reversed(checks)]
    page = render_html(factory.report([factory.measured_file("Kick.wav")], found, verdict="warn"))
    assert page.count('<li class="card') == 5
    assert "<summary>and 2 more to look at</summary>" in page
    cards = page[page.index('class="cards"') : page.index("</ol>")]
    assert "Constant offset" not in cards  # not heard as a fault, so behind what is
    assert "Click" in cards


def test_what_deliver_repairs_comes_after_what_somebody_has_to_do() -> None:
    fail = factory.finding("header", "fail", "Kick.wav", repair="rewrap")
    warn = factory.finding("click", "warn", "Kick.wav")
    page = render_html(
        factory.report(
            [factory.measured_file("Kick.wav")], [fail, warn], verdict="fail", cured=(fail,)
        )
    )
    assert page.index("<h2>Click</h2>") < page.index("<h2>Wrong header</h2>")
    assert "Nothing stops you" not in page
    assert "Deliver repairs the rest." in page


def test_every_file_is_a_row_on_its_songs_timeline() -> None:
    page = render_html(factory.three_songs())
    assert page.count('<details class="file"') == 24
    assert page.count('<section class="song">') == 3


def test_files_that_begin_later_stand_further_right() -> None:
    """48,000 samples of a second each: the second file is the last third of three seconds."""
    files = [
        factory.measured_file("A.wav", frames=96_000, time_reference_samples=480_000),
        factory.measured_file("B.wav", frames=48_000, time_reference_samples=576_000),
    ]
    page = render_html(factory.report(files))
    assert '<svg x="0.00%" width="66.67%"' in page
    assert '<svg x="66.67%" width="33.33%"' in page
    assert "placed by their time references" in page


def test_findings_are_marked_at_their_time_by_shape_and_label() -> None:
    page = render_html(factory.three_songs())
    section = page[page.index('<div class="panel" id="file-16">') :]
    section = section[: section.index("</details>")]
    assert "1 clipping (fail)" in section
    # 700000 of 11078880 frames: 6.32 % from the left.
    assert '<rect class="bar" x="6.32%"' in section
    assert section.count('class="mark fail"') == 10


def test_a_long_list_is_drawn_as_density_to_its_end() -> None:
    """68,569 places through a whole file; the ten worst lie in its first seconds."""
    density = Density(stretch_samples=48_000, counts=(360,) * 190)
    worst = tuple(
        Occurrence(channel=1, start_sample=9_000 * place, end_sample=9_000 * place + 4)
        for place in range(1, 11)
    )
    found = factory.finding(
        "clipping",
        "warn",
        "Kick.wav",
        occurrences=Occurrences(count=68_569, worst=worst, density=density),
    )
    file = factory.measured_file("Kick.wav", frames=190 * 48_000)
    page = render_html(factory.report([file], [found], verdict="warn"))
    bars = [float(x) for x in re.findall(r'<rect class="bar" x="([\d.]+)%"', page)]
    assert max(bars) == pytest.approx(100 * 189 / 190, abs=0.01)


def test_long_lists_are_folded() -> None:
    assert "<summary>and 3 more</summary>" in render_html(factory.three_songs())


def test_a_table_keeps_its_head_row_on_every_printed_page_and_its_words_whole() -> None:
    page = render_html(factory.three_songs())
    printed = page.partition("@media print {")[2].partition("\n}")[0]
    assert re.search(r"thead \{[^}]*display: table-header-group", printed)
    assert page.count('<div class="wide">') == page.count("<table") > 0


def test_same_report_same_bytes() -> None:
    assert render_html(factory.three_songs()) == render_html(factory.three_songs())


def test_golden_page() -> None:
    expected = (GOLDEN / "small.html").read_text(encoding="utf-8")
    assert render_html(factory.small()) == expected
