"""What became of the findings of an earlier report."""

from __future__ import annotations

from dataclasses import dataclass

Place = tuple[str, str]
"""(check, file); "" for the file where the whole set was meant."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """Findings of severity fail and warn that count, against those of the report called ``name``.

    A file is known by its path: one that was renamed counts as fixed and new.
    """

    name: str
    fixed: tuple[Place, ...]
    still: tuple[Place, ...]
    new: tuple[Place, ...]
