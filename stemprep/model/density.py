"""How the places of a long list lie over a file."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Density:
    """How many places begin in each stretch of the file, from its first sample on.

    stretch_samples: length of a stretch; stretches behind the last counted one hold none.
    """

    stretch_samples: int
    counts: tuple[int, ...]


def density_of(starts: Iterable[int], stretch_samples: int) -> Density:
    """Count places by their first samples, at least one of them."""
    places = [start // stretch_samples for start in starts]
    counts = [0] * (max(places) + 1)
    for place in places:
        counts[place] += 1
    return Density(stretch_samples=stretch_samples, counts=tuple(counts))
