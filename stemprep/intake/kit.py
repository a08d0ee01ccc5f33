"""Microphones of a drum kit by their names: at a drum, or some way off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Literal

from stemprep.intake.names import stem
from stemprep.intake.vocabulary import SUBMIX
from stemprep.intake.words import (
    Words,
    fields_of,
    has_phrase,
    shared_start,
    split_after,
    without_track_number,
    words_of,
)
from stemprep.model.mic_pairs import Stand

KitPlace = Literal["close", "distant"]


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


_DRUMS = _set("""
    kick kik kck bd bassdrum snare snr sn sd hat hats hh hihat tom toms ride crash cymbal cymbals
    china splash
""")
_TWO_MICROPHONES = {"kick": _set("kick kik kck bd"), "snare": _set("snare snr sn sd")}
_PLACES_AT_A_DRUM = _set("in out inside outside top bot bottom btm under")
_ABOVE = _set("oh ohs ovh ovhs ovr overhead overheads")
_ROOM = _set("room rooms rm amb ambient ambience")
_FAR_FROM_KIT = _set("far crush")
_AMPLIFIED = _set("gtr gtrs guitar guitars egtr egtrs bass amp amps cab cabs")
_KIT = _set("kit drum drums")
_TAKE = _set("tk take")
_ONE_FOR_ALL = _set("mono over above front crush far")
_NO_MICROPHONE = _set("trig trigger sample samples samp loop loops verb reverb print sub midi di")
_OTHER_SOURCES = SUBMIX - _KIT


def kit_places(paths: Iterable[str]) -> Mapping[str, KitPlace]:
    """Where the microphones of the kit stand; paths are the tracks of one song.

    ``distant``: overheads, a room microphone named for nothing else, one for the whole kit.
    ``close``: named for a drum or cymbal. Files that are neither are left out.
    """
    names = {path: without_track_number(fields_of(stem(path))) for path in paths}
    titled = shared_start(list(names.values()))
    places: dict[str, KitPlace] = {}
    for path, fields in names.items():
        words = tuple(word for field in split_after(fields, titled)[1] for word in field)
        place = _place(words) or _place(tuple(word for field in fields for word in field))
        if place is not None:
            places[path] = place
    return places


def drum_of(path: str) -> str | None:
    """Which drum a microphone at one of its places is named for; None for any other file.

    Catches what a comparison of whole names does not: ``Kick In`` and ``Kick Out old``.
    """
    words = words_of_place(path)
    drums = [drum for drum, names in _TWO_MICROPHONES.items() if words & names]
    return drums[0] if len(drums) == 1 and words & _PLACES_AT_A_DRUM else None


def stand_of(path: str) -> Stand:
    """How far from its source a microphone usually stands, by its name; ``close`` where it says
    nothing.
    """
    said = words_of_place(path)
    if said & _ROOM or (said & _KIT and said & _FAR_FROM_KIT):
        return "room"
    is_above = bool(said & _ABOVE) or ("kit" in said) or bool(said & _KIT and said & _ONE_FOR_ALL)
    return "overhead" if is_above else "close"


def amp_of(path: str) -> str | None:
    """What an amplifier's microphones share: the name without a letter or number at its end.

    ``Rhy Gtr A`` and ``Rhy Gtr B`` may be two microphones at one amplifier, or two performances:
    only their sound tells. None for any other name.
    """
    words = words_of(stem(path))
    is_numbered = len(words) > 1 and (words[-1].isdecimal() or len(words[-1]) == 1)
    return " ".join(words[:-1]) if is_numbered and _AMPLIFIED & set(words[:-1]) else None


def take_of(path: str) -> str:
    """``2`` for ``Kick In tk2``: the take that a name tells; "" where it tells none."""
    words = words_of(stem(path))
    pairs = pairwise(words)
    return next((number for word, number in pairs if word in _TAKE and number.isdecimal()), "")


def words_of_place(path: str) -> frozenset[str]:
    """All words of a file's name, for telling top from bottom."""
    return frozenset(words_of(stem(path)))


def _place(words: Words) -> KitPlace | None:
    said = frozenset(words)
    if said & _NO_MICROPHONE or (said & _OTHER_SOURCES and not _is_bass_drum(words)):
        return None
    if said & _ABOVE or said & _ROOM:
        return "distant"
    if said & _DRUMS or _is_bass_drum(words):
        return "close"
    if said & _KIT and ("kit" in said or said & _ONE_FOR_ALL):
        return "distant"
    return None


def _is_bass_drum(words: Words) -> bool:
    return has_phrase(words, ("bass", "drum"))
