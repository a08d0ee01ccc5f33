"""Finding the files that a sheet's patterns name."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Iterable

from stemprep.errors import SpecError
from stemprep.naming.distinct import folded

MAX_WILDCARD_PATTERNS = 2000


class PathIndex:
    """The paths of a drop, to be asked for by patterns.

    A pattern is a path with ``*`` (any characters) and ``?`` (one), neither reaching over a ``/``;
    every other character, brackets too, stands for itself. Case and the composing of accents do
    not count. Without a ``/`` it names files in any folder; with one, it is the whole path, from
    the drop's top or from the folder start.
    """

    def __init__(self, paths: Iterable[str], start: str = "") -> None:
        self._by_name: dict[str, list[str]] = {}
        self._by_path: dict[str, list[str]] = {}
        self._known: dict[str, tuple[str, ...]] = {}
        self._wildcards = 0
        top = folded(start) + "/" if start else ""
        for path in paths:
            whole = folded(path)
            self._by_name.setdefault(whole.rpartition("/")[2], []).append(path)
            self._by_path.setdefault(whole, []).append(path)
            if top and whole.startswith(top):
                self._by_path.setdefault(whole[len(top) :], []).append(path)

    def named_by(self, pattern: str) -> tuple[str, ...]:
        """Return the paths that a pattern names, those of one name together.

        Raises SpecError after 2,000 different patterns with wildcards: each costs a look at every
        file, and no session has use for more.
        """
        if pattern not in self._known:
            self._known[pattern] = tuple(self._find(folded(pattern.removeprefix("./"))))
        return self._known[pattern]

    def _find(self, wanted: str) -> Iterable[str]:
        table = self._by_path if "/" in wanted else self._by_name
        if "*" not in wanted and "?" not in wanted:
            return table.get(wanted, ())
        self._count_wildcard()
        # fnmatch compiles to atomic groups, so that a row of stars cannot run for hours. With as
        # many slashes in the path as in the pattern, none is left for a wildcard to reach over.
        matches = re.compile(fnmatch.translate(wanted.replace("[", "[[]"))).match
        slashes = wanted.count("/")
        hits = (key for key in table if matches(key) and key.count("/") == slashes)
        return dict.fromkeys(path for key in hits for path in table[key])

    def _count_wildcard(self) -> None:
        self._wildcards += 1
        if self._wildcards > MAX_WILDCARD_PATTERNS:
            raise SpecError(
                (
                    f"session sheet: more than {MAX_WILDCARD_PATTERNS:,} different patterns with "
                    "* or ?; name the files, or use wider patterns",
                )
            )
