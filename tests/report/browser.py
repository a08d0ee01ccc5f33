"""A headless browser for pages that are files; tests skip where none is installed."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

WAIT_MS = 60_000
NAMES = ("chromium", "chromium-browser", "google-chrome")


def chromium() -> str | None:
    """Where the system's own browser lies."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


@contextmanager
def started() -> Iterator[Any]:
    """The browser, for all tests of one module; ended with it, for its event loop is in the way."""
    api = pytest.importorskip("playwright.sync_api")
    executable = chromium()
    if executable is None:
        pytest.skip("no chromium is installed")
    with api.sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=executable, args=["--no-sandbox"], timeout=5 * WAIT_MS
        )
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(browser: Any, page_file: Path, **context: Any) -> Iterator[tuple[Any, list[str]]]:
    """The page and a list that takes whatever it says or asks for: empty where all is well."""
    held = browser.new_context(**context)
    page = held.new_page()
    page.set_default_timeout(WAIT_MS)
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
    page.on("request", lambda request: _note_request(request.url, said))
    try:
        page.goto(page_file.as_uri())
        yield page, said
    finally:
        held.close()


def _note_request(url: str, said: list[str]) -> None:
    if not url.startswith(("file:", "data:audio/flac")):
        said.append(url)
