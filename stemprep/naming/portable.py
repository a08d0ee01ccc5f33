"""Names that hold on Windows, macOS and Linux alike (RFC 8493, section on interoperability)."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

MAX_COMPONENT_BYTES = 240  # file systems allow 255; the rest is room for a temporary suffix
MAX_PATH_CHARACTERS = 255  # RFC 8493

_FORBIDDEN = '<>:"|?*\\'
_FOREIGN_BYTE = re.compile(r"\\x[89a-fA-F][0-9a-fA-F]")
_PORTS = (f"{port}{n}" for port in ("COM", "LPT") for n in "123456789\u00b9\u00b2\u00b3")
_DEVICES = frozenset(("CON", "PRN", "AUX", "NUL", *_PORTS))
# Marks, embeddings, overrides and isolates that turn a name around, and two invisible ones.
_DIRECTION_MARKS = frozenset(
    "\u061c\u200b\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff"
)
_EXTENSION = re.compile(r"\.([A-Za-z0-9]{1,12})\Z")
_JOINERS = frozenset("\u200d\ufe0e\ufe0f")
_SHORTEST_PART = 8  # characters that a part is cut to before whole folders go


def portability_problems(path: str) -> tuple[str, ...]:
    r"""In words, why a path would not hold on another system; empty when it would.

    path: relative, ``/`` between parts, bytes that are not UTF-8 as ``\xNN``.
    """
    found: dict[str, None] = {}
    *folders, name = path.split("/")
    for folder in folders:
        found.update(dict.fromkeys(_part_problems(folder, folder)))
    found.update(dict.fromkeys(_part_problems(name, split_extension(name)[0])))
    if len(path) > MAX_PATH_CHARACTERS:
        found[f"the path has {len(path)} characters, {MAX_PATH_CHARACTERS} is safe"] = None
    return tuple(found)


def listing_problems(path: str) -> tuple[str, ...]:
    """In words, why common tools misread a path in a list of checksums; empty where they do not.

    RFC 8493, 2.1.3 has %, CR and LF encoded there; sha256sum and its relatives read lines as they
    stand, and readers of lines split at any line break and strip blanks at the end.
    """
    found: dict[str, None] = {}
    for part in path.split("/"):
        if "%" in part:
            found[f"{_shown(part)} holds %, which lists of checksums have to encode"] = None
        if part.rstrip() != part:
            found[f"{_shown(part)} ends with a blank, which readers of lists strip"] = None
        if any(_is_control(c) for c in part):
            found[f"{_shown(part)} holds a line break or another control character"] = None
    return tuple(found)


def listable_path(path: str) -> str:
    """Return the nearest path that every tool reads in a list of checksums; else unchanged."""
    parts = (
        "".join("_" if c == "%" or _is_control(c) else c for c in part).rstrip() or "_"
        for part in path.split("/")
    )
    return "/".join(parts)


def portable_path(path: str, *, max_characters: int = MAX_PATH_CHARACTERS) -> str:
    """Return the nearest path that holds everywhere, lists of checksums too; else unchanged.

    What cannot stay becomes ``_``; a path that is too long is cut in its longest parts, never
    inside a character and never in the extension. Two different paths may come out equal:
    ``distinct_paths`` parts them.
    """
    before, path = path, _nearer_path(path, max_characters)
    while path != before:  # what a sign hid or a cut laid bare may be an extension: ``0 .A ``
        before, path = path, _nearer_path(path, max_characters)
    return path


def _nearer_path(path: str, max_characters: int) -> str:
    parts = [part for part in path.split("/") if part not in ("", ".")] or ["_"]
    *folders, name = parts
    clean = [_portable_part(folder, "") for folder in folders]
    stem, extension = split_extension(name)
    clean.append(_portable_part(stem, extension))
    return _fit_path(clean, max_characters)


def file_name(path: str) -> str:
    """Return the last part of a path."""
    return path.rpartition("/")[2]


def split_extension(name: str) -> tuple[str, str]:
    """Stem and extension (with its dot) of a file name.

    One that is only a number is none (``Mix v1.2``), and a name that is nothing but a dot and
    letters (``.wav``) has none.
    """
    match = _EXTENSION.search(name)
    if match is None or match.start() == 0 or match[1].isdigit():
        return name, ""
    return name[: match.start()], match.group()


def cut_name(stem: str, extension: str, *, max_bytes: int, max_characters: int) -> str:
    """Stem and extension, the stem cut at its end until both limits hold."""
    room_bytes = max_bytes - len(extension.encode())
    room_characters = max(1, max_characters - len(extension))
    size, end = 0, 0
    for character in stem[:room_characters]:
        size += len(character.encode())
        if size > room_bytes:
            break
        end += 1
    while 0 < end < len(stem) and _belongs_to_previous(stem[end]):
        end -= 1
    kept = stem if end == len(stem) else _stripped(stem[:end])
    return (kept or "_") + extension


def _belongs_to_previous(character: str) -> bool:
    """Tell accents, joiners and selectors: cutting before them would cut a character."""
    return unicodedata.combining(character) != 0 or character in _JOINERS


def _part_problems(part: str, stem: str) -> Iterator[str]:
    text, foreign = _FOREIGN_BYTE.subn("", part)
    if foreign or any(unicodedata.category(c) == "Cs" for c in text):
        yield f"{_shown(part)} holds bytes that are not UTF-8 text"
    forbidden = sorted({c for c in text if c in _FORBIDDEN})
    if forbidden:
        yield f"{_shown(part)} holds {' '.join(forbidden)}, which Windows does not allow"
    if any(_is_control(c) for c in text):
        yield f"{_shown(part)} holds control characters"
    if any(c in _DIRECTION_MARKS for c in text):
        yield f"{_shown(part)} holds invisible characters that can turn a name around"
    yield from _form_problems(part, stem)


def _form_problems(part: str, stem: str) -> Iterator[str]:
    if _is_reserved(part):
        yield f"{_shown(part)} is the name of a device on Windows, with or without extension"
    if part.endswith((".", " ")) or stem.endswith((".", " ")):
        yield f"{_shown(part)} has a dot or space at the end, which Windows drops"
    if part.startswith(" "):
        yield f"{_shown(part)} starts with a space"
    if part.startswith("-"):
        yield f"{_shown(part)} starts with -, which commands take for an option"
    if not unicodedata.is_normalized("NFC", part):
        yield f"{_shown(part)} is not in composed Unicode form (NFC); a twin may look the same"
    size = len(part.encode("utf-8", "surrogatepass"))
    if size > MAX_COMPONENT_BYTES:
        yield f"{_shown(part)} takes {size} bytes, {MAX_COMPONENT_BYTES} leave room for a suffix"


def _is_control(character: str) -> bool:
    return unicodedata.category(character) in ("Cc", "Zl", "Zp")


def _is_reserved(part: str) -> bool:
    return part.split(".", 1)[0].rstrip(" ").upper() in _DEVICES


def _shown(part: str) -> str:
    """Put the part in quotes, shortened where long, controls and direction marks escaped."""
    short = part if len(part) <= 40 else f"{part[:24]}...{part[-12:]}"
    escaped = "".join(
        f"\\u{ord(c):04x}" if _is_control(c) or c in _DIRECTION_MARKS else c for c in short
    )
    return f"'{escaped}'"


def _portable_part(stem: str, extension: str) -> str:
    text = unicodedata.normalize("NFC", _FOREIGN_BYTE.sub("_", stem))
    kept = "".join(_replacement(c) for c in text if c not in _DIRECTION_MARKS)
    kept = _stripped(kept.lstrip(" "))
    if kept.startswith("-"):
        kept = "_" + kept[1:]
    if _is_reserved(kept + extension):
        head, dot, rest = kept.partition(".")
        kept = f"{head.rstrip(' ')}_{dot}{rest}"
    return cut_name(
        kept or "_", extension, max_bytes=MAX_COMPONENT_BYTES, max_characters=MAX_COMPONENT_BYTES
    )


def _stripped(name: str) -> str:
    """Without dots and blanks at its end, whatever their order."""
    while name != (name := name.rstrip().rstrip(". ")):
        pass
    return name


def _replacement(character: str) -> str:
    is_lost = (
        character in _FORBIDDEN
        or character == "%"
        or _is_control(character)
        or unicodedata.category(character) == "Cs"
    )
    return "_" if is_lost else character


def _fit_path(parts: list[str], max_characters: int) -> str:
    """Join the parts; too long: all parts longer than a common length are cut to it."""
    while len(parts) > 2 and _total(parts, _SHORTEST_PART) > max_characters:
        del parts[1]
    longest = max(len(part) for part in parts)
    while longest > _SHORTEST_PART and _total(parts, longest) > max_characters:
        longest -= 1
    *folders, name = parts
    short = [_cut_part(folder, "", longest) for folder in folders]
    return "/".join([*short, _cut_part(*split_extension(name), longest)])


def _total(parts: list[str], longest: int) -> int:
    return sum(min(len(part), longest) for part in parts) + len(parts) - 1


def _cut_part(stem: str, extension: str, longest: int) -> str:
    if len(stem) + len(extension) <= longest:
        return stem + extension
    return cut_name(stem, extension, max_bytes=MAX_COMPONENT_BYTES, max_characters=longest)
