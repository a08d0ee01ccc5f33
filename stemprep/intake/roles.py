"""What a file is in the session, from its folder and its name. The sheet goes before both.

The folder's word holds, unless the name says something more special (a mix among stems, see
``NAME_OVER_FOLDER``). Words that all names of a folder begin with are the song's title and are
not listened to, unless nothing else speaks. Without any word a file is a track; a name without
letters is unknown. Files beside a mix that are named like submixes are its stems.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from stemprep.intake.folder_names import folder_role
from stemprep.intake.names import folders_of, stem
from stemprep.intake.vocabulary import (
    EDITED_WORDS,
    INSTRUMENTS,
    LOUD_WORDS,
    MICROPHONE,
    MIX_WORDS,
    NAME_OVER_FOLDER,
    NAME_PHRASES,
    PRINT_WORDS,
    QUALIFIERS,
    REFERENCE_WORDS,
    SIDES,
    SOURCES,
    SUBMIX,
    WHOLE_WORDS,
    Place,
)
from stemprep.intake.words import (
    Words,
    fields_of,
    has_phrase,
    shared_start,
    split_after,
    without_numbers,
    without_track_number,
)
from stemprep.model.words import Role

Verdict = tuple[Role, str]
Fields = tuple[Words, ...]

_NEGATIONS = frozenset({"no", "without", "minus", "dry"})
_TITLE_ONLY_NEVER: frozenset[Role] = frozenset({"effect-return", "click"})
_BEFORE_EXCEPTIONS: frozenset[Role] = frozenset({"talkback", "click", "rough-mix"})
_ALWAYS_HEARD: frozenset[Role] = frozenset({"talkback", "click"})
NO_WORD = "no word in folder or name says more"


def roles_by_name(paths: Sequence[str]) -> dict[str, Verdict]:
    """Return role and evidence of each path; paths are all the audio of one drop."""
    roles: dict[str, Verdict] = {}
    for folder, inside in _by_folder(paths).items():
        titled = shared_start([_fields(path) for path in inside])
        for path in inside:
            roles[path] = _role(folder, _fields(path), titled)
        roles.update(_stems_beside_a_mix(inside, roles))
    return roles


def _by_folder(paths: Iterable[str]) -> dict[tuple[str, ...], list[str]]:
    folders: dict[tuple[str, ...], list[str]] = {}
    for path in paths:
        folders.setdefault(folders_of(path), []).append(path)
    return folders


def _fields(path: str) -> Fields:
    return without_track_number(fields_of(stem(path)))


def _role(folder: tuple[str, ...], fields: Fields, titled: int) -> Verdict:
    named = _name_role(fields, titled)
    for name in reversed(folder):
        role = folder_role(name)
        if role is None:
            continue
        if named and named[0] != role and _is_heard(named[0], role):
            return named
        return role, f"folder {name}"
    if named:
        return named
    if not any(without_numbers(field) for field in fields):
        return "unknown", "a name without words"
    return "track", NO_WORD


def _is_heard(named: Role, folder: Role) -> bool:
    """Tell whether a name's role stands against its folder's."""
    return folder == "track" or named in NAME_OVER_FOLDER.get(folder, _ALWAYS_HEARD)


def _name_role(fields: Fields, titled: int) -> Verdict | None:
    title, rest = split_after(fields, titled)
    if not any(without_numbers(field) for field in rest):
        return _spoken_role(fields) or _whole(fields, fields)
    return _spoken_role(rest) or _whole(rest, fields) or _title_role(title)


def _title_role(title: Fields) -> Verdict | None:
    """Find the role in what all names begin with: one whole field is nothing but its phrase."""
    for field in title:
        words = without_numbers(field)
        for role, phrases in NAME_PHRASES.items():
            if role not in _TITLE_ONLY_NEVER and words in [phrase for phrase, _ in phrases]:
                return role, f"name ({' '.join(words)})"
    return None


def _spoken_role(fields: Fields) -> Verdict | None:
    """Find the first role whose words stand in the fields, exceptions first."""
    words = tuple(word for field in fields for word in field)
    if words in (("tb",), ("tb", "mic")):  # "TB 2" is a second trombone
        return "talkback", "name (tb)"
    special = _listening(words) or _submix(fields)
    for role, phrases in NAME_PHRASES.items():
        if special and role not in _BEFORE_EXCEPTIONS:
            return special
        said = _said(fields, phrases)
        if said and _is_meant(role, words):
            return role, f"name ({said})"
    if words and words[-1] in PRINT_WORDS and not SOURCES.intersection(words):
        return "mix", f"name ({words[-1]})"
    return None


def _whole(rest: Fields, fields: Fields) -> Verdict | None:
    """What the last word says of a whole song, where none names a source; alone it is a title."""
    if len(_flat(fields)) < 2:
        return None
    words = tuple(word for field in rest for word in field)
    named = tuple(word for word in without_numbers(words) if word not in SIDES)
    if not named or (SOURCES - WHOLE_WORDS).intersection(words):
        return None
    last = named[-1]
    if last in LOUD_WORDS:
        return "listening-reference", f"name ({last})"
    if last in EDITED_WORDS:
        return "alternate-mix", f"name ({last})"
    return ("mix", f"name ({last})") if last in WHOLE_WORDS else None


def _said(fields: Fields, phrases: Iterable[tuple[Words, Place]]) -> str:
    for phrase, place in phrases:
        if any(_stands(phrase, place, field) for field in fields):
            return " ".join(phrase)
    return ""


def _stands(phrase: Words, place: Place, field: Words) -> bool:
    if place == "anywhere":
        return has_phrase(field, phrase)
    words = tuple(word for word in without_numbers(field) if word not in SIDES | PRINT_WORDS)
    is_last = words[-len(phrase) :] == phrase
    return is_last or (place == "edge" and words[: len(phrase)] == phrase)


def _is_meant(role: Role, words: Words) -> bool:
    """Tell whether a role's word means the role beside the name's other words."""
    found = frozenset(words)
    if role == "click":
        return not found & (INSTRUMENTS | {"kick", "kik", "bd"})  # a beater's click, a pad's
    if role == "guide":
        return not found & {"dj", "turntable", "turntables"}
    if role == "effect-return":
        return not found & (MIX_WORDS | _NEGATIONS)
    return True


def _listening(words: Words) -> Verdict | None:
    """Hear a loud copy or a reference that is not called a mix; ``REF MIX`` is the mix itself."""
    found = frozenset(words)
    loud = sorted(found & LOUD_WORDS)
    if loud and found & (MIX_WORDS | REFERENCE_WORDS | {"copy", "version", "mastered"}):
        return "listening-reference", f"name ({loud[0]})"
    reference = sorted(found & REFERENCE_WORDS)
    if reference and not found & (MIX_WORDS | SUBMIX | MICROPHONE):
        return "listening-reference", f"name ({reference[0]}, and not called a mix)"
    return None


def _submix(fields: Fields) -> Verdict | None:
    """``DRUM MIX``: a mix of one thing only, so a stem; ``ROOM MIX``: still a track."""
    for field in fields:
        words = frozenset(without_numbers(field))
        sources = words - MIX_WORDS
        if words & MIX_WORDS and sources & (SUBMIX | MICROPHONE) and sources <= SOURCES:
            role: Role = "stem" if sources & SUBMIX and not sources & MICROPHONE else "track"
            return role, f"name ({' '.join(field)}: the mix of one thing)"
    return None


def _stems_beside_a_mix(paths: Sequence[str], roles: Mapping[str, Verdict]) -> dict[str, Verdict]:
    """Files without a word of their own in a mix's folder: stems, if they are named like submixes.

    At least two of them, at least half named for a submix, none for a single microphone.
    """
    mixes = [path for path in paths if roles[path][0] == "mix"]
    others = [path for path in paths if roles[path] == ("track", NO_WORD)]
    if not mixes or len(others) < 2:
        return {}
    titled = shared_start([_fields(path) for path in others])
    rests = [_flat(split_after(_fields(path), titled)[1]) for path in others]
    submixes = [rest for rest in rests if rest & SUBMIX and rest <= SUBMIX | QUALIFIERS]
    if any(rest & MICROPHONE for rest in rests) or 2 * len(submixes) < len(rests):
        return {}
    evidence = f"named like a submix, beside the mix {stem(mixes[0])}"
    return dict.fromkeys(others, ("stem", evidence))


def _flat(fields: Fields) -> frozenset[str]:
    return frozenset(word for field in fields for word in without_numbers(field))
