"""Tables as CSV that any spreadsheet opens and none runs: RFC 4180, CRLF, UTF-8."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from stemprep.model.strict_json import clean_text

_WIDE_FORMS = ("\uff1d", "\uff0b", "\uff0d", "\uff20")  # East Asian forms of = + - @
_READ_AS_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", *_WIDE_FORMS)


def csv_table(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    r"""Write a table with its heading; None is an empty cell.

    Text that a spreadsheet would take for a formula is led by an apostrophe; name bytes that are
    not UTF-8 are written ``\xNN``.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue()


def _cell(value: object) -> object:
    if not isinstance(value, str):
        return value
    plain = clean_text(value)
    return f"'{plain}" if plain.startswith(_READ_AS_FORMULA) else plain


def plain_cell(text: str) -> str:
    """Give a cell's text back as it was before it was written here."""
    is_led = text.startswith("'") and text[1:].startswith(_READ_AS_FORMULA)
    return text[1:] if is_led else text
