from __future__ import annotations

import pytest

from stemprep.naming import (
    PUBLISHED_NAME,
    PUBLISHED_TEMPLATE,
    fill_template,
    missing_fields,
    published_fields,
    template_tokens,
)


def fields(**changes: object) -> dict[str, str]:
    known: dict[str, object] = {
        "artist_initials": "js",
        "song_title": "Horse not home",
        "mixer_initials": "AW",
        "revision": 3,
        "version": "vocal up",
        "sample_rate_hz": 44_100,
        "bit_depth": 16,
        "is_float": False,
    }
    return published_fields(**{**known, **changes})  # type: ignore[arg-type]


def test_published_example() -> None:
    """The example that the P&E Wing's 2018 recommendation is quoted with."""
    name = fill_template(PUBLISHED_TEMPLATE, fields(artist_initials="JS"))
    assert name == "JS_HorseNotHome_AW03_VocalUp_44k16"
    assert PUBLISHED_NAME.fullmatch(name)


@pytest.mark.parametrize(
    ("change", "token", "text"),
    [
        ({"song_title": "Ça m'énerve, déjà!"}, "song_title", "CaMenerveDeja"),
        ({"song_title": "Größe 9"}, "song_title", "Grosse9"),
        ({"version": "Snare_rim"}, "version", "Snare_Rim"),
        ({"revision": 12}, "revision", "12"),
        ({"sample_rate_hz": 88_200}, "rate", "88k"),
        ({"bit_depth": 32, "is_float": True}, "bits", "32f"),
    ],
)
def test_cleaning_rules(change: dict[str, object], token: str, text: str) -> None:
    assert fields(**change)[token] == text


@pytest.mark.parametrize(
    ("change", "missing"),
    [
        ({"revision": None}, ("revision",)),
        ({"song_title": "歌"}, ("song_title",)),
        ({"sample_rate_hz": 37_800, "artist_initials": None}, ("artist_initials", "rate")),
        ({"bit_depth": 64, "is_float": True}, ("bits",)),
    ],
)
def test_nothing_is_invented(change: dict[str, object], missing: tuple[str, ...]) -> None:
    assert missing_fields(PUBLISHED_TEMPLATE, fields(**change)) == missing
    assert fill_template(PUBLISHED_TEMPLATE, fields(**change)) is None


@pytest.mark.parametrize(
    ("template", "word"),
    [("{titel}", "titel"), ("{name", "brace"), ("{name}/{number}", "folder"), ("plain", "no token"),
     ("{name.__class__}", "unknown"), ("{}", "unknown")],
)  # fmt: skip
def test_bad_templates(template: str, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        template_tokens(template)


def test_field_text_is_no_template() -> None:
    assert fill_template("{name}_{number}", {"name": "{number}", "number": "01"}) == "{number}_01"
