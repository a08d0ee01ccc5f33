"""Lines never wider than asked, and nothing hidden in them."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.report.escaping import visible
from stemprep.report.layout import columns, cut, pad, wrap


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("plain \u00e4 \u65e5\u672c.wav", "plain \u00e4 \u65e5\u672c.wav"),
        ("a\nb\tc\x1b[31m", "a\\x0Ab\\x09c\\x1B[31m"),
        ("gtr\u202evaw", "gtr\\u202Evaw"),
        ("\u2066x\u2069", "\\u2066x\\u2069"),
        ("\u2028", "\\u2028"),
        ("half\udc80", "half\\x80"),
        ("\ud800", "\\uD800"),
        ("\U000e0041", "\\U000E0041"),
    ],
)
def test_hidden_characters_are_shown(text: str, expected: str) -> None:
    assert visible(text) == expected


@given(st.text())
def test_visible_text_has_no_control_or_bidi_character(text: str) -> None:
    """Unicode Standard Annex 9: every explicit bidi control is of category Cf."""
    shown = visible(text)
    assert not {unicodedata.category(char) for char in shown} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    shown.encode("utf-8")


@given(st.text(max_size=300), st.integers(20, 100), st.sampled_from(["", "  - ", "label     "]))
def test_wrapped_lines_fit_and_lose_nothing(text: str, width: int, first: str) -> None:
    lines = wrap(text, width, first)
    assert all(columns(line) <= width for line in lines)
    kept = "".join("".join(lines).split()).replace("".join(first.split()), "", 1)
    assert kept == "".join(visible(text).split())


def test_wide_characters_take_two_columns() -> None:
    """Unicode Standard Annex 11: W and F are wide; combining marks take no column."""
    assert columns("\u65e5\u672c") == 4
    assert columns("e\u0301") == 1
    assert wrap("\u65e5" * 30, 40) == ["\u65e5" * 20, "\u65e5" * 10]


@given(st.text(), st.integers(4, 40))
def test_cut_and_padded_text_fits(text: str, width: int) -> None:
    assert columns(cut(text, width)) <= width
    assert columns(pad(text, width)) == width


def test_a_title_of_a_megabyte_is_cut_at_once() -> None:
    """A session sheet may hold 1 MB; quadratic work on it would never end."""
    assert cut("\u65e5" * 1_000_000, 24) == "\u65e5" * 10 + "..."
