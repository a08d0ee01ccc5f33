"""How a problem in a YAML file is told: one line, place first, then found, then allowed."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field

from stemprep.checks import CHECKS
from stemprep.errors import SpecError

Path_ = tuple[str | int, ...]
MAX_LISTED = 100
MAX_SOUGHT = 1000
_MAX_SHOWN = 60
_MAX_LISTED_CHECKS = 8
_WHERE_CHECKS_ARE_LISTED = "`stemprep explain` lists them all"


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a file; line and column count from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(slots=True)
class Problems:
    """Everything wrong in one chain of files."""

    found: list[tuple[Mark, str]] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.found)

    def add(self, mark: Mark, where: str, message: str) -> None:
        """Add one problem; ``where`` is the dotted place, "" for the file as a whole.

        Raises SpecError after a thousand: nobody reads on, and looking for what was meant costs.
        """
        line = f"{mark}: {where}: {message}" if where else f"{mark}: {message}"
        if (mark, line) not in self.found[-MAX_LISTED:]:
            self.found.append((mark, line))
        if len(self.found) > MAX_SOUGHT:
            raise SpecError(self.messages())

    def messages(self) -> tuple[str, ...]:
        """Give the lines for a SpecError, file by file, top to bottom, at most 100."""
        files = list(dict.fromkeys(mark.file for mark, _ in self.found))
        ordered = sorted(self.found, key=lambda problem: _reading_order(problem[0], files))
        spare = len(ordered) - MAX_LISTED
        more = (f"... and {spare} more problems",) if spare > 0 else ()
        return tuple(line for _, line in ordered[:MAX_LISTED]) + more


def _reading_order(mark: Mark, files: list[str]) -> tuple[int, int, int]:
    return files.index(mark.file), mark.line, mark.column


def dotted(path: Path_) -> str:
    """``("tracks", 2, "role")`` as ``tracks[3].role``: people count from 1."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    return shown_plain(text.removeprefix("."))


def shown(text: str) -> str:
    """Give a found value in quotes, made harmless for a terminal and cut to a readable length."""
    return f'"{shown_plain(text)}"'


def shown_plain(text: str) -> str:
    """As ``shown``, without the quotes."""
    short = text if len(text) <= _MAX_SHOWN else text[: _MAX_SHOWN - 3] + "..."
    return "".join(_harmless(character) for character in short)


def shown_path(path: object) -> str:
    """Give a path in quotes, harmless and whole: what tells two of them apart stands at the end."""
    return f'"{"".join(_harmless(character) for character in str(path))}"'


def _harmless(character: str) -> str:
    """Escape control, format (bidi), unassigned and odd space characters."""
    if character != " " and unicodedata.category(character)[0] in "CZ":
        return character.encode("unicode_escape").decode("ascii")
    return character


def nearest(word: str, known: Iterable[str]) -> str:
    """`` (did you mean ...?)`` for the closest known word, or nothing."""
    by_folded = {item.lower(): item for item in known}
    close = difflib.get_close_matches(word.lower()[:_MAX_SHOWN], by_folded, n=1, cutoff=0.6)
    return f" (did you mean {by_folded[close[0]]}?)" if close else ""


def one_of(words: Iterable[str]) -> str:
    """``one of a, b, c``, or the single word; the ids of checks are too many to be listed."""
    known = tuple(words)
    if _are_checks(known):
        spare = [check for check in CHECKS if check not in known]
        excepted = f"; all but {', '.join(spare)} may stand here" if spare else ""
        return f"the id of a check ({_WHERE_CHECKS_ARE_LISTED}{excepted})"
    return known[0] if len(known) == 1 else f"one of {', '.join(known)}"


def known_words(words: Iterable[str]) -> str:
    """``known: a, b, c``, or where the ids of checks are listed."""
    known = tuple(words)
    return _WHERE_CHECKS_ARE_LISTED if _are_checks(known) else f"known: {', '.join(known)}"


def _are_checks(words: tuple[str, ...]) -> bool:
    return len(words) > _MAX_LISTED_CHECKS and CHECKS.keys() >= set(words)
