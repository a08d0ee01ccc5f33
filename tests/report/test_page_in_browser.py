"""The page in a browser: zoom, filter, play, keys, phone, dark, print; it asks for nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from stemprep.app.check.inspect import inspect
from stemprep.report import render_html
from tests.report import factory
from tests.report.browser import opened, started

RATE_HZ = 48_000
PHONE = {"viewport": {"width": 390, "height": 844}}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with started() as running:
        yield running


@pytest.fixture(scope="module")
def drop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three files; a click of two samples at 0:04.000 in one, a hole in another."""
    folder = tmp_path_factory.mktemp("drop") / "Harbour Lights"
    folder.mkdir()
    random = np.random.default_rng(8)
    time = np.arange(8 * RATE_HZ) / RATE_HZ
    for name in ("Bass.wav", "Voice.wav", "Keys.wav"):
        sound = 0.1 * np.sin(2 * np.pi * 220 * time) * np.hanning(len(time))
        sound = sound + random.normal(0, 2e-5, len(time))
        if name == "Voice.wav":
            sound[4 * RATE_HZ : 4 * RATE_HZ + 2] += 0.8
        if name == "Keys.wav":
            sound[3 * RATE_HZ : 3 * RATE_HZ + 2000] = 0.0
        soundfile.write(folder / name, sound, RATE_HZ, subtype="PCM_24")
    return folder


@pytest.fixture(scope="module")
def page_file(drop: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "report.html"
    file.write_text(render_html(inspect(drop, "base", closeups="heard")), encoding="utf-8")
    return file


def wait_until(page: Any, is_so: str) -> None:
    """The policy forbids the browser's own way of waiting, which evaluates a string."""
    for _ in range(300):
        if page.evaluate(is_so):
            return
        page.wait_for_timeout(100)
    raise AssertionError(is_so)


def card(page: Any, check: str) -> Any:
    return page.locator(".card", has=page.locator(".kind .id", has_text=re.compile(f"^{check}$")))


def test_the_worst_is_on_the_first_screen_with_its_place(browser: Any, page_file: Path) -> None:
    with opened(browser, page_file, viewport={"width": 1280, "height": 800}) as (page, said):
        click = card(page, "click")
        assert click.bounding_box()["y"] < 800
        assert "Voice.wav" in click.inner_text()
        assert "0:04.000" in click.inner_text()
        assert click.locator("svg.near path.wave").count() == 1
        assert not said


def test_an_excerpt_plays_and_stops(browser: Any, page_file: Path) -> None:
    with opened(browser, page_file) as (page, said):
        button = card(page, "click").locator("button.play-button")
        button.click()
        wait_until(page, "[...document.querySelectorAll('audio')].some(a => a.currentTime > 0)")
        assert "Stop" in button.inner_text()
        button.click()
        assert page.evaluate("[...document.querySelectorAll('audio')].every(a => a.paused)")
        assert not said


def test_without_excerpts_nothing_can_be_heard_but_all_is_seen(drop: Path, tmp_path: Path) -> None:
    text = render_html(inspect(drop, "base", closeups="seen"))
    assert "<audio" not in text
    assert "data:audio" not in text
    assert 'class="near"' in text


def test_a_waveform_zooms_to_two_milliseconds_and_goes_to_the_fault(
    browser: Any, page_file: Path
) -> None:
    with opened(browser, page_file) as (page, said):
        card(page, "click").locator("a").first.click()
        panel = page.locator("details.file[open] .panel")
        panel.locator("canvas").first.wait_for()
        view = "document.querySelector('details.file[open] .waveform').view()"
        panel.get_by_label("Next place").click()
        shown = page.evaluate(view)
        assert shown["from"] < 4 * RATE_HZ < shown["to"]
        for _ in range(14):
            panel.get_by_label("Zoom in").click()
        shown = page.evaluate(view)
        assert (shown["to"] - shown["from"]) / RATE_HZ == pytest.approx(0.002)
        assert not said


def test_rows_are_found_and_filtered(browser: Any, page_file: Path) -> None:
    with opened(browser, page_file) as (page, said):
        rows = page.locator("details.file:visible")
        assert rows.count() == 3
        page.locator("#find").fill("voice")
        assert rows.count() == 1
        page.locator("#find").fill("")
        page.locator("#show").select_option("check:dropout")
        assert rows.all_inner_texts()[0].startswith("Keys.wav")
        assert page.locator("#count").inner_text() == "1 of 3 files"
        page.locator("#show").select_option("")
        page.locator("#order").select_option("worst")
        assert "Bass.wav" in rows.all_inner_texts()[-1]
        assert not said


def test_keys_go_through_what_is_wrong_and_play_it(browser: Any, page_file: Path) -> None:
    with opened(browser, page_file) as (page, said):
        page.keyboard.press("n")
        first = page.evaluate("document.activeElement.className")
        assert first.startswith("card")
        page.keyboard.press("p")
        wait_until(page, "[...document.querySelectorAll('audio')].some(a => !a.paused)")
        for _ in range(9):
            page.keyboard.press("n")
        assert page.evaluate("document.activeElement.tagName") == "SUMMARY"
        page.keyboard.press("Enter")
        assert page.locator("details.file[open]").count() == 1
        page.keyboard.press("/")
        assert page.evaluate("document.activeElement.id") == "find"
        assert not said


@pytest.mark.parametrize("make", [factory.three_songs, factory.hostile, factory.delivered])
def test_a_phone_needs_no_sideways_scrolling_and_reads_its_labels(
    browser: Any, make: Any, tmp_path: Path
) -> None:
    file = tmp_path / "page.html"
    file.write_text(render_html(make()), encoding="utf-8")
    with opened(browser, file, **PHONE) as (page, said):
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        sizes = page.evaluate(
            "[...document.querySelectorAll('svg text')].filter(t => t.getBoundingClientRect().width"
            ").map(t => t.getScreenCTM().a * parseFloat(getComputedStyle(t).fontSize))"
        )
        assert min(sizes) > 10
        assert not said


def test_dark_is_the_systems_wish(browser: Any, page_file: Path) -> None:
    grounds = {}
    for scheme in ("light", "dark"):
        with opened(browser, page_file, color_scheme=scheme) as (page, said):
            colour = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
            grounds[scheme] = sum(map(int, re.findall(r"\d+", colour)[:3]))
            assert not said
    assert grounds["dark"] < 150
    assert grounds["light"] > 600


def test_hostile_names_run_nothing(browser: Any, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text(render_html(factory.hostile()), encoding="utf-8")
    with opened(browser, file) as (page, said):
        for row in page.locator("details.file").all():
            row.locator("summary").first.click()
        assert not said
        assert page.locator("script").count() == 1


def test_a_script_that_is_not_ours_is_stopped(browser: Any, tmp_path: Path) -> None:
    """Content Security Policy Level 3, section 6.7.3.3: no match, not run."""
    file = tmp_path / "page.html"
    planted = "<script>document.title = 'taken'</script>"
    text = render_html(factory.three_songs()).replace("<main>", f"<main>{planted}")
    file.write_text(text, encoding="utf-8")
    with opened(browser, file) as (page, said):
        assert page.title() != "taken"
        assert any("Content Security Policy" in message for message in said)


def test_all_is_there_without_script(browser: Any, page_file: Path) -> None:
    with opened(browser, page_file, java_script_enabled=False) as (page, _):
        text = page.locator("body").inner_text()
        assert "Voice.wav" in text
        assert page.locator("audio[controls]").count() >= 1
        page.locator("details.file summary").first.click()
        assert page.locator("details.file[open] .lane svg").count() == 1


def sixty_files() -> Any:
    """Stereo, five minutes, with the fine waveform that measuring gives; every tenth is clipped."""
    random = np.random.default_rng(60)
    files = []
    for number in range(60):
        levels = random.integers(-60, 60, (2, 8_000)).astype(np.int8)
        files.append(
            factory.measured_file(
                f"{number:02d} Track {number}.wav",
                "track",
                frames=300 * RATE_HZ,
                sound_changes={"waveform": tuple(each.tobytes() for each in levels)},
            )
        )
    found = [factory.clipping(files[place].path, 40, 9) for place in range(0, 60, 10)]
    notes = [factory.finding("hum", "note", file.path) for file in files]
    return factory.report(files, [*found, *notes], verdict="fail")


def test_sixty_files_are_small_fast_and_eight_pages_at_most(browser: Any, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text(render_html(sixty_files()), encoding="utf-8")
    assert file.stat().st_size <= 5_000_000
    with opened(browser, file) as (page, said):
        printed = page.pdf(format="A4")
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= 8
        assert not said


def test_print_shows_every_file_in_a_line(browser: Any, page_file: Path) -> None:
    with opened(browser, page_file) as (page, _):
        page.emulate_media(media="print")
        for row in page.locator("details.file").all():
            assert row.bounding_box()["height"] < 60
        assert not page.locator("#tools").is_visible()
