"""Finding the files that a sheet's patterns name."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from stemprep.intake.names import folded


@dataclass(frozen=True, slots=True)
class Pattern:
    """A path with ``*`` (any characters) and ``?`` (one), neither reaching over a ``/``.

    Compared without regard to case and to how accents are composed; every other character,
    brackets too, stands for itself. Without a ``/`` it is compared with the file's name in any
    folder; with one, with the whole path.
    """

    text: str

    def matches(self, path: str, start: str = "") -> bool:
        """Tell whether the pattern names this path, from the drop's top or from folder start."""
        wanted = folded(self.text.removeprefix("./")).split("/")
        return any(self._fits(wanted, found.split("/")) for found in _readings(path, start))

    @staticmethod
    def _fits(wanted: list[str], found: list[str]) -> bool:
        if len(wanted) == 1:
            found = found[-1:]
        return len(wanted) == len(found) and all(
            _part(part).match(name) is not None for part, name in zip(wanted, found, strict=True)
        )


@lru_cache(maxsize=4096)
def _readings(path: str, start: str) -> tuple[str, ...]:
    whole = folded(path)
    top = folded(start) + "/" if start else ""
    return (whole, whole[len(top) :]) if top and whole.startswith(top) else (whole,)


@lru_cache(maxsize=4096)
def _part(part: str) -> re.Pattern[str]:
    # fnmatch compiles to atomic groups, so that a row of stars cannot run for hours.
    return re.compile(fnmatch.translate(part.replace("[", "[[]")))


def unmatched(patterns: Iterable[str], paths: Iterable[str], start: str = "") -> tuple[str, ...]:
    """Return the patterns that name none of the paths, each once, in their order."""
    paths = tuple(paths)
    return tuple(
        text
        for text in dict.fromkeys(patterns)
        if not any(Pattern(text).matches(path, start) for path in paths)
    )
