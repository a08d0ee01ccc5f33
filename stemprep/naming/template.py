"""File names from ``{token}`` text: plain substitution, never a template engine.

The published grammar for mixes and stems (P&E Wing, Delivery Recommendations for Recorded Music
Projects, 2018, page 13, as quoted by a mastering studio) joins its parts by underscores:
artist initials, song title, mixer initials with a two-digit revision, version or stem name,
sample rate with ``k`` and word length.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

PUBLISHED_TEMPLATE = (
    "{artist_initials}_{song_title}_{mixer_initials}{revision}_{version}_{rate}{bits}"
)
PUBLISHED_NAME = re.compile(
    r"[A-Z][A-Za-z0-9]{0,3}_[A-Z0-9][A-Za-z0-9]*_[A-Z]{2,3}\d{2}"
    r"_[A-Z0-9][A-Za-z0-9]*(_[A-Z0-9][A-Za-z0-9]*)*_(44|48|88|96|176|192)k(16|24|32f?)"
)
TOKENS: Mapping[str, str] = {
    "artist_initials": "two letters for the artist",
    "song_title": "title of the song, each word capitalised, no spaces",
    "mixer_initials": "two or three letters for the mixer",
    "revision": "the mixer's own number, two digits",
    "version": "name of the version or stem",
    "rate": "sample rate in thousands, such as 48k",
    "bits": "word length; 32f for float",
    "name": "name of the source file without its extension",
    "number": "place of the file in its folder, two digits",
}

_TOKEN = re.compile(r"\{([^{}]*)\}")
_RATES = {
    44_100: "44k",
    48_000: "48k",
    88_200: "88k",
    96_000: "96k",
    176_400: "176k",
    192_000: "192k",
}
_WORDS = {(16, False): "16", (24, False): "24", (32, False): "32", (32, True): "32f"}
_UNDECOMPOSED = str.maketrans(
    {"ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "Ae", "œ": "oe", "Œ": "Oe", "ł": "l", "Ł": "L",
     "đ": "d", "Đ": "D", "ð": "d", "Ð": "D", "þ": "th", "Þ": "Th", "\u0131": "i"}
)  # fmt: skip
_APOSTROPHES = re.compile("['`\u00b4\u2018\u2019\u02bc]")


def template_tokens(template: str) -> tuple[str, ...]:
    """List the tokens of a template in order.

    Raises ValueError, in words for the spec's author, on an unknown token, a lone brace, a folder
    separator or a template without any token.
    """
    tokens = tuple(_TOKEN.findall(template))
    unknown = [token for token in tokens if token not in TOKENS]
    if unknown:
        raise ValueError(f"unknown token {{{unknown[0]}}}; known are {', '.join(sorted(TOKENS))}")
    rest = _TOKEN.sub("", template)
    if "{" in rest or "}" in rest:
        raise ValueError("a brace without its partner; tokens are written {name}")
    if "/" in rest or "\\" in rest:
        raise ValueError("a template names a file, not a folder; leave / and \\ out")
    if not tokens:
        raise ValueError("no token: every file would get the same name")
    return tokens


def missing_fields(template: str, fields: Mapping[str, str]) -> tuple[str, ...]:
    """Tokens of the template for which there is no text, each once, in order."""
    return tuple(
        dict.fromkeys(token for token in template_tokens(template) if not fields.get(token))
    )


def fill_template(template: str, fields: Mapping[str, str]) -> str | None:
    """Replace the tokens of a template; None where a field is missing.

    The extension is not part of it. ``missing_fields`` says what is missing. Text from a field is
    never read as a token again. Raises ValueError as ``template_tokens`` does.
    """
    if missing_fields(template, fields):
        return None
    return _TOKEN.sub(lambda match: fields[match.group(1)], template)


def published_fields(
    *,
    artist_initials: str | None,
    song_title: str | None,
    mixer_initials: str | None,
    revision: int | None,
    version: str | None,
    sample_rate_hz: int,
    bit_depth: int,
    is_float: bool,
) -> dict[str, str]:
    """Clean the fields of the published grammar by its rules; what is not known is absent.

    A rate or word length that the grammar has no notation for, and a title without any letter or
    digit of the Latin script, count as not known.
    """
    fields = {
        "artist_initials": joined_words(artist_initials or ""),
        "song_title": joined_words(song_title or ""),
        "mixer_initials": joined_words(mixer_initials or "").upper(),
        "revision": "" if revision is None else f"{revision:02d}",
        "version": "_".join(filter(None, map(joined_words, (version or "").split("_")))),
        "rate": _RATES.get(sample_rate_hz, ""),
        "bits": _WORDS.get((bit_depth, is_float), ""),
    }
    return {token: text for token, text in fields.items() if text}


def joined_words(text: str) -> str:
    """Each word capitalised and joined, without spaces, punctuation and diacritics."""
    spelled = _APOSTROPHES.sub("", text).translate(_UNDECOMPOSED)
    plain = "".join(
        c for c in unicodedata.normalize("NFKD", spelled) if not unicodedata.combining(c)
    )
    words = re.findall(r"[A-Za-z0-9]+", plain)
    return "".join(word[0].upper() + word[1:] for word in words)
