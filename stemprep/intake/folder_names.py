"""What a folder's name says: a role for its files, a song's title, or both (``Dawn Stems``)."""

from __future__ import annotations

from stemprep.intake.vocabulary import FOLDER_FILLERS, FOLDER_PHRASES
from stemprep.intake.words import Words, fields_of, without_numbers
from stemprep.model.words import Role

_FORMAT_WORDS = frozenset({"k", "khz", "hz", "bit", "bits"})
_FORMAT_NUMBERS = frozenset(
    {"16", "24", "32", "44", "1", "441", "48", "88", "2", "882", "96", "176", "4", "192"}
    | {"44100", "48000", "88200", "96000", "176400", "192000"}
)


def folder_role(name: str) -> Role | None:
    """Return the role that a folder of this name gives to its files; None where it says none."""
    return _folder_reading(name)[0]


def folder_title(name: str) -> Words:
    """Return what a folder's name says besides its role: the words of a song's title, or none.

    Rates and word lengths (``48k24``) are no title, and numbers alone neither.
    """
    words = _folder_reading(name)[1]
    return words if any(not word.isdecimal() for word in words) else ()


def _folder_reading(name: str) -> tuple[Role | None, Words]:
    """Take a folder's role from its other words; the role stands last, or as the first field."""
    fields = [_without_fillers(field) for field in fields_of(name)]
    fields = [field for field in fields if field]
    words = tuple(word for field in fields for word in field)
    lettered = without_numbers(words)
    for role, phrases in FOLDER_PHRASES.items():
        for phrase in phrases:
            if fields and without_numbers(fields[0]) == phrase:
                return role, tuple(word for field in fields[1:] for word in field)
            if lettered[-len(phrase) :] == phrase:
                return role, tuple(word for word in words if word not in phrase)
    return None, words


def _without_fillers(field: Words) -> Words:
    """Return a folder's words without file format, rate and word length (``48k24``, ``24 bit``)."""
    is_format = not _FORMAT_WORDS.isdisjoint(field)
    return tuple(
        word
        for word in field
        if word not in FOLDER_FILLERS and not (is_format and word in _FORMAT_NUMBERS)
    )
