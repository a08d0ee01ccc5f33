"""Taking names apart into fields and words.

``Song_03 Kick-In (v2)`` has the fields ``song``, ``03 kick in`` and ``v 2``; ``LeadVox2`` has the
words ``lead``, ``vox``, ``2``. Case and accents' composition do not count.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

_FIELD_BREAKS = re.compile(r"[_()\[\]{},;+&/\\]+|(?<=\s)-+(?=\s)|-{2,}|(?<=\D)\.(?=\D)")
_WORD = re.compile(r"\d+|[^\W\d_]+")
_HUMP = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})")
_DOTTED = re.compile(r"\b([A-Za-z])\.([A-Za-z])\.?(?![A-Za-z])")

Words = tuple[str, ...]


def fields_of(text: str) -> tuple[Words, ...]:
    """Return a name's fields, each as its words in lower case; empty fields are left out."""
    composed = _DOTTED.sub(r"\1\2", unicodedata.normalize("NFC", text))
    fields = (_words_of(field) for field in _FIELD_BREAKS.split(composed))
    return tuple(field for field in fields if field)


def words_of(text: str) -> Words:
    """Return all words of a name, in order."""
    return tuple(word for field in fields_of(text) for word in field)


def without_numbers(words: Words) -> Words:
    """Return the words that are not numbers."""
    return tuple(word for word in words if not word.isdecimal())


def without_track_number(fields: tuple[Words, ...]) -> tuple[Words, ...]:
    """Return the fields without the numbers at their very start (``03_Kick`` -> ``kick``)."""
    words = [list(field) for field in fields]
    while words and (not words[0] or words[0][0].isdecimal()):
        if words[0]:
            words[0].pop(0)
        else:
            words.pop(0)
    return tuple(tuple(field) for field in words)


def shared_start(names: Sequence[tuple[Words, ...]]) -> int:
    """Return how many leading words all names share, at least one word of each being left.

    Fewer than two names share nothing: one name alone does not show what is title in it.
    """
    if len(names) < 2:
        return 0
    flat = [[word for field in name for word in field] for name in names]
    shared = 0
    for column in zip(*(words[:-1] for words in flat), strict=False):
        if len(set(column)) > 1:
            break
        shared += 1
    return shared


def split_after(
    fields: tuple[Words, ...], count: int
) -> tuple[tuple[Words, ...], tuple[Words, ...]]:
    """Return the fields of the first count words and those of the rest."""
    head: list[Words] = []
    tail: list[Words] = []
    for field in fields:
        head.append(field[:count])
        tail.append(field[count:])
        count = max(0, count - len(field))
    return tuple(filter(None, head)), tuple(filter(None, tail))


def has_phrase(words: Words, phrase: Words) -> bool:
    """Tell whether the phrase's words stand in a row among the words."""
    length = len(phrase)
    return any(words[at : at + length] == phrase for at in range(len(words) - length + 1))


def _words_of(field: str) -> Words:
    return tuple(word.casefold() for word in _WORD.findall(_HUMP.sub(" ", field)))
