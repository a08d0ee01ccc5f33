"""The list of all sessions that came for one destination, as one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from stemprep import __version__
from stemprep.report.templates import environment, stylesheet


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRow:
    """One delivery, or one drop that none was made of.

    verdict: pass, warn, fail, or what else became of it; package: its folder, "" for none.
    package_link, report_link: relative addresses, percent-encoded; "" where there is nothing.
    when: date and time of the last step, in words.
    """

    job: int
    drop: str
    spec: str
    verdict: str
    remark: str
    number: int
    package: str
    package_link: str
    report_link: str
    when: str


def render_sessions(name: str, rows: Iterable[SessionRow]) -> Iterator[str]:
    """The page in pieces; rows newest first, taken one by one, for there may be thousands."""
    style, style_hash = stylesheet()
    template = environment().get_template("sessions.html")
    return template.generate(
        name=name, rows=rows, version=__version__, style=style, style_hash=style_hash
    )
