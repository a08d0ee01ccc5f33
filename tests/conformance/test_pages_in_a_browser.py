"""Every page of a package in headless Chromium: no console message, no request, and how it prints.

The browser is kept off the network; what it asks for on its own is told by a blank page.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

from stemprep.app.delivery.deliver import deliver
from stemprep.engine import InlineEngine
from tests.app.mix_drops import make_drop

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--enable-logging=stderr",
    "--no-pdf-header-footer",
)
_ASKED = re.compile(r'"url":"(?:https?|ftp|wss?)://([^/"?:]*)')
_PAGES = ("track-sheet.html", "returns/what-to-send-back.html", "report/qc-report.html")

pytestmark = pytest.mark.skipif(BROWSER is None, reason="needs chromium on the PATH")


@dataclass(frozen=True)
class Seen:
    """What one page did: console lines, hosts asked for, pages of paper."""

    console: list[str]
    hosts: set[str]
    sheets: int


def opened(page: Path, place: Path) -> Seen:
    """Open a page in a fresh profile and print it."""
    place.mkdir()
    log, paper = place / "net.json", place / "page.pdf"
    ran = subprocess.run(
        [
            str(BROWSER),
            *FLAGS,
            f"--user-data-dir={place / 'profile'}",
            f"--log-net-log={log}",
            f"--print-to-pdf={paper}",
            page.absolute().as_uri(),
        ],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return Seen(
        console=[line for line in ran.stderr.splitlines() if ":CONSOLE" in line],
        hosts=set(_ASKED.findall(log.read_text(errors="replace"))),
        sheets=len(re.findall(rb"/Type\s*/Page[^s]", paper.read_bytes())),
    )


@pytest.fixture(scope="module")
def own_hosts(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Hosts that the browser asks for while it shows nothing."""
    place = tmp_path_factory.mktemp("blank")
    page = place / "blank.html"
    page.write_text("<!DOCTYPE html><title>blank</title>")
    return opened(page, place / "run").hosts


@pytest.fixture(scope="module")
def payload(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("pages")
    report = deliver(make_drop(place / "drop"), "overdub", [place / "out"], engine=InlineEngine())
    assert report.package is not None
    return Path(report.package) / "data"


def test_a_page_that_fetches_or_fails_is_seen(tmp_path: Path, own_hosts: set[str]) -> None:
    """The test of the test: a foreign picture and a script error."""
    page = tmp_path / "bad.html"
    page.write_text('<img src="http://fetched.invalid/x.png"><script>missing()</script>')
    seen = opened(page, tmp_path / "run")
    assert seen.hosts - own_hosts == {"fetched.invalid"}
    assert seen.console


@pytest.mark.parametrize("name", _PAGES)
def test_pages_are_quiet(payload: Path, own_hosts: set[str], tmp_path: Path, name: str) -> None:
    seen = opened(payload / name, tmp_path / "run")
    assert seen.console == []
    assert seen.hosts <= own_hosts
    assert seen.sheets >= 1
    if name.startswith("returns"):
        assert seen.sheets == 1, "what to send back is one page of paper"


def test_all_pages_of_the_package_are_looked_at(payload: Path) -> None:
    found = {path.relative_to(payload).as_posix() for path in payload.rglob("*.html")}
    assert found == set(_PAGES)
