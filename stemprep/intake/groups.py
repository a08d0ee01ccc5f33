"""Microphones of one source, found by names: ``Kick In`` and ``Kick Out`` are both the kick."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from stemprep.intake.names import stem
from stemprep.intake.vocabulary import POSITIONS
from stemprep.intake.words import (
    Words,
    fields_of,
    shared_start,
    split_after,
    without_track_number,
)


def groups_by_name(paths: Iterable[str]) -> Mapping[str, str]:
    """Return the group of each path that has one; paths are the tracks of one song.

    A group is what is left of a name without the words for a microphone's place (in, out, top,
    left, amp, di, ...), shared by two files or more of which at least one has such a word.
    """
    names = {path: without_track_number(fields_of(stem(path))) for path in paths}
    titled = shared_start(list(names.values()))
    members: dict[Words, list[str]] = {}
    placed: set[Words] = set()
    for path, fields in names.items():
        words = _flat(split_after(fields, titled)[1])
        if not _source(words):
            words = _flat(fields)
        source = _source(words)
        members.setdefault(source, []).append(path)
        if source != words:
            placed.add(source)
    return {
        path: " ".join(source)
        for source, group in members.items()
        if source and source in placed and len(group) > 1
        for path in group
    }


def _source(words: Words) -> Words:
    """Return the words without places; ``room`` is a place where another word says of what."""
    source = tuple(word for word in words if word not in POSITIONS)
    return tuple(word for word in source if word not in ("room", "rooms")) or source


def _flat(fields: tuple[Words, ...]) -> Words:
    return tuple(word for field in fields for word in field)
