"""Filling HTML templates: every text escaped and made visible, style and script inside the page."""

from __future__ import annotations

import base64
import functools
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from stemprep.report.escaping import visible

if TYPE_CHECKING:
    import jinja2

_HERE = Path(__file__).parent


@functools.cache
def environment() -> jinja2.Environment:
    """Give the templates of this room, with escaping that no template has to ask for."""
    import jinja2  # only a page needs it

    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(_HERE),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def stylesheet(*more: str) -> tuple[object, str]:
    """Give our stylesheet, trusted as it is, and its sha256 for the page's policy.

    more: names of stylesheets of this room that follow the common one.
    """
    return _own("report.css", *more)


def script() -> tuple[object, str]:
    """Give the script of the report page, trusted as it is, and its sha256 likewise."""
    return _own("report.js")


def _own(*names: str) -> tuple[object, str]:
    text = "".join((_HERE / name).read_text(encoding="utf-8") for name in names)
    return _trusted(text), base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")


def _shown(value: object) -> object:
    """Every text that enters the page shows its hidden characters; only our own is trusted."""
    is_plain = isinstance(value, str) and not hasattr(value, "__html__")
    return visible(str(value)) if is_plain else value


def _trusted(text: str) -> object:
    from markupsafe import Markup  # comes with jinja2

    return Markup(text)  # noqa: S704  # our own style and script, no text of others
